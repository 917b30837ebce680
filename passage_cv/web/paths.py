"""Names of uploaded files: what may become a path below a batch, and nothing else."""

from __future__ import annotations

import unicodedata
from pathlib import Path, PurePosixPath

from passage_cv.errors import InputError

LONGEST_PART = 120
MOST_PARTS = 8
_RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))}


def safe_name(given: str) -> str:
    """A relative path with forward slashes that stays below its folder on any system.

    Raises
    ------
    InputError
        If the name is absolute, climbs, is hidden, reserved, too long or unprintable.

    Examples
    --------
    >>> safe_name("trip-12/images/0001.jpg")
    'trip-12/images/0001.jpg'
    """
    name = unicodedata.normalize("NFC", given.replace("\\", "/"))
    parts = name.split("/")
    if not name or len(parts) > MOST_PARTS or any(not _is_plain(part) for part in parts):
        raise InputError(
            f"File name {given[:80]!r} cannot be kept", where="upload", do="Rename the file with letters and digits."
        )
    return "/".join(parts)


def below(folder: Path, name: str) -> Path:
    """The path of a safe name below a folder.

    Raises
    ------
    InputError
        If it would leave the folder, for example through a link.
    """
    path = folder / PurePosixPath(safe_name(name))
    if not path.resolve().is_relative_to(folder.resolve()):
        raise InputError(f"File name {name[:80]!r} leaves the batch", where="upload", do="Rename the file.")
    return path


def _is_plain(part: str) -> bool:
    if not part or part.startswith((".", "~")) or part != part.strip() or part.endswith("."):
        return False
    if len(part.encode()) > LONGEST_PART or not part.isprintable() or any(c in '<>:"|?*' for c in part):
        return False
    return part.partition(".")[0].lower() not in _RESERVED
