"""Pictures of presentations beside the gate log, on disk before the line that names them.

A folder per day, a file per view, never written over. Enough to show a person the fish, to audit it and to make a
batch folder of it.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.gate.views import file_ending
from passage_cv.service.frames import Frame

SHARPNESS = "sharpness"
"""Name of the measure that charts show; see :func:`passage_cv.service.presence.sharpness_of`."""


@dataclass(frozen=True, slots=True)
class Kept:
    """SHA-256 of each view, and its path below the log's folder (its frame's name where it was not kept)."""

    sha256s: tuple[str, ...]
    paths: tuple[str, ...]


def pictures_folder(log: Path) -> Path:
    """Where the pictures of a log lie."""
    return log.with_name(f"{log.name}.pictures")


def keep_pictures(log: Path, presentation_id: str, day: str, frames: Sequence[Frame]) -> Kept:
    """Write the views of one presentation and return once they are on the disk.

    Raises
    ------
    InputError
        If one cannot be written. The caller must not act then.
    """
    folder = pictures_folder(log) / day
    hashes, paths = [], []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number, frame in enumerate(frames, start=1):
            data = frame.stored()
            path = folder / f"{presentation_id}-{number}{file_ending(data)}"
            _write_new(path, data)
            hashes.append(sha256_bytes(data))
            paths.append(path.relative_to(log.parent).as_posix())
    except OSError as error:
        raise InputError(
            f"Pictures of {presentation_id} cannot be written: {error.strerror or error}",
            where=str(folder),
            do="Hold until the disk can be written again.",
        ) from error
    return Kept(tuple(hashes), tuple(paths))


def name_pictures(frames: Sequence[Frame]) -> Kept:
    """What there is to say of pictures that are not kept."""
    return Kept(tuple(sha256_bytes(frame.stored()) for frame in frames), tuple(frame.name for frame in frames))


def _write_new(path: Path, data: bytes) -> None:
    """One file, new and flushed; a name that was cut off by an earlier crash is written anew."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
