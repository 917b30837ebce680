"""Pictures one after the other, from a folder or handed in, each with its time on a steady clock.

A frame that does not come is ``None``: the caller decides when that is a stalled camera.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol

from passage_cv.errors import InputError
from passage_cv.gate.views import Rgb, decode_view, encode_losslessly

FRAME_SUFFIXES = frozenset({".jpg", ".jpeg", ".png"})


class Clock(Protocol):
    """Two clocks: one of the wall, which can be set wrong, and one that only moves on."""

    def now(self) -> datetime:
        """Date and time with an offset."""
        ...

    def steady(self) -> float:
        """Seconds since some moment."""
        ...

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        ...


class RealClock:
    """The computer's clocks."""

    def now(self) -> datetime:
        """Date and time, UTC."""
        return datetime.now(UTC)

    def steady(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def wait(self, seconds: float) -> None:
        """Sleep."""
        time.sleep(seconds)


@dataclass(slots=True)
class SimulatedClock:
    """A clock that stands still until it is moved; ``offset_s`` is how wrong the wall clock was set."""

    start: datetime
    seconds: float = 0.0
    offset_s: float = 0.0

    def now(self) -> datetime:
        """Start, plus what has passed, plus the offset."""
        return self.start + timedelta(seconds=self.seconds + self.offset_s)

    def steady(self) -> float:
        """What has passed."""
        return self.seconds

    def wait(self, seconds: float) -> None:
        """Move on."""
        self.seconds += seconds


@dataclass(slots=True)
class Frame:
    """One picture as it came from the camera; ``at_s`` on the steady clock. It is decoded once, whoever asks.

    ``data`` is the stored picture, ``b""`` where the camera gave pixels (``rgb``: uint8, height, width, 3).
    """

    name: str
    data: bytes
    at_s: float
    setup_id: str
    rgb: Rgb | None = None

    def pixels(self) -> Rgb:
        """Red, green, blue.

        Raises
        ------
        InputError
            If the picture cannot be decoded.
        """
        if self.rgb is None:
            self.rgb = decode_view(self.data, where="frame")
        return self.rgb

    def stored(self) -> bytes:
        """The picture as it came, or pixels without loss."""
        if not self.data and self.rgb is not None:
            self.data = encode_losslessly(self.rgb)
        return self.data


class Camera(Protocol):
    """Anything that gives frames one after the other, None for one that did not come in time.

    ``expected`` is how many there will be, as far as that is known, 0 where it is not.
    """

    expected: int

    def __iter__(self) -> Iterator[Frame | None]: ...


class FolderCamera:
    """The pictures of a folder in the order of their names, one every ``1 / frames_per_s``.

    Raises
    ------
    InputError
        If the folder holds no picture.
    """

    def __init__(self, folder: Path, clock: Clock, *, setup_id: str, frames_per_s: float = 10.0) -> None:
        self.paths = tuple(sorted(path for path in folder.iterdir() if path.suffix.lower() in FRAME_SUFFIXES))
        if not self.paths:
            raise InputError("Folder holds no picture", where=str(folder), do="Give a folder of frames.")
        self.clock, self.setup_id, self.step_s = clock, setup_id, 1 / frames_per_s
        self.expected = len(self.paths)

    def __iter__(self) -> Iterator[Frame | None]:
        for path in self.paths:
            self.clock.wait(self.step_s)
            yield Frame(path.name, path.read_bytes(), self.clock.steady(), self.setup_id)


class ListedCamera:
    """Frames handed in, for tests and replays: picture bytes, or None for one that never came."""

    def __init__(
        self, pictures: Sequence[bytes | None], clock: Clock, *, setup_id: str, frames_per_s: float = 10.0
    ) -> None:
        self.pictures, self.clock, self.setup_id = pictures, clock, setup_id
        self.expected = len(pictures)
        self.step_s = 1 / frames_per_s

    def __iter__(self) -> Iterator[Frame | None]:
        for number, data in enumerate(self.pictures, start=1):
            self.clock.wait(self.step_s)
            frame = None if data is None else Frame(f"{number:06d}", data, self.clock.steady(), self.setup_id)
            yield frame
