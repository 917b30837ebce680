"""What must keep being true while a gate runs: frames come, they change, clocks agree, the package lies untouched.

Each check says the fault it found, or None. Nothing here decides what a fault does.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.gate.manifest import require_intact
from passage_cv.gate.site import Site
from passage_cv.service.frames import Clock
from passage_cv.service.machine import Fault

Stamp = tuple[tuple[str, int, int, int], ...]


@dataclass(slots=True)
class CameraWatch:
    """Notices a camera that stopped, and one that shows the same picture for ever."""

    site: Site
    _last_s: float | None = None
    _fingerprint: int | None = None
    _alike: int = 0

    def check(self, now_s: float, fingerprint: int | None) -> Fault | None:
        """Take a frame's fingerprint, None where none came."""
        if self._last_s is None:
            self._last_s = now_s
        if fingerprint is None:
            return Fault.CAMERA_STALLED if now_s - self._last_s > self.site.camera.stall_s else None
        late = now_s - self._last_s > self.site.camera.stall_s
        self._last_s = now_s
        self._alike = self._alike + 1 if fingerprint == self._fingerprint else 1
        self._fingerprint = fingerprint
        if self._alike >= self.site.camera.frozen_frames:
            return Fault.PICTURE_FROZEN
        return Fault.CAMERA_STALLED if late else None


@dataclass(slots=True)
class ClockWatch:
    """Notices when the wall clock was set while the steady clock went on."""

    clock: Clock
    allowed_s: float
    _apart: float = field(init=False)

    def __post_init__(self) -> None:
        self._apart = self._difference()

    def check(self) -> Fault | None:
        """Whether the two clocks have moved apart since the last look."""
        before, self._apart = self._apart, self._difference()
        return Fault.CLOCK if abs(self._apart - before) > self.allowed_s else None

    def _difference(self) -> float:
        return self.clock.now().timestamp() - self.clock.steady()


@dataclass(slots=True)
class PackageWatch:
    """Notices when a file of the package in service is touched; then every byte is checked again."""

    folder: Path
    _stamp: Stamp = field(init=False)

    def __post_init__(self) -> None:
        self._stamp = _stamp(self.folder)

    def check(self) -> Fault | None:
        """Whether the folder is still what was loaded."""
        now = _stamp(self.folder)
        if now == self._stamp:
            return None
        try:
            require_intact(self.folder)
        except (InputError, OSError):
            return Fault.PACKAGE
        self._stamp = now
        return None


def _stamp(folder: Path) -> Stamp:
    """Name, inode, size and time of change of every file; cheap enough for every fish."""
    found: list[tuple[str, int, int, int]] = []
    waiting = [os.fspath(folder)]
    try:
        while waiting:
            with os.scandir(waiting.pop()) as entries:
                for entry in entries:
                    stat = entry.stat(follow_symlinks=False)
                    found.append((entry.path, stat.st_ino, stat.st_size, stat.st_mtime_ns))
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append(entry.path)
    except OSError:
        return ()
    return tuple(sorted(found))
