"""When, with which camera and with which settings a JPEG says it was made.

Reads the few tags the pipeline uses from the APP1 segment (Exif 2.32, tag numbers in its tables 4 and 8).
Nothing here raises: a damaged block says nothing.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass

_MODEL, _ORIENTATION, _EXIF_FOLDER = 0x0110, 0x0112, 0x8769
_TAKEN, _OFFSET, _SERIAL = 0x9003, 0x9011, 0xA431
_SOFTWARE, _EXPOSURE, _WHITE_BALANCE = 0x0131, 0x829A, 0xA403
_SHORT, _LONG, _ASCII, _RATIONAL = 3, 4, 2, 5
_BALANCES = {0: "auto", 1: "fixed"}
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """What a camera says of itself: firmware, exposure in ms, and white balance ``auto`` or ``fixed``.

    Empty and None where it says nothing.
    """

    software: str = ""
    exposure_ms: float | None = None
    white_balance: str = ""


NO_SETTINGS = CameraSettings()


@dataclass(frozen=True, slots=True)
class Exif:
    """``taken_at`` is ISO 8601, with the offset only where the camera wrote one; orientation 1 is upright."""

    taken_at: str = ""
    camera: str = ""
    orientation: int = 1
    settings: CameraSettings = NO_SETTINGS


def read_exif(data: bytes) -> Exif:
    """The tags of a JPEG; defaults where it has none.

    Examples
    --------
    >>> read_exif(b"not a picture") == Exif()
    True
    """
    block = _tiff_block(data)
    if block is None:
        return Exif()
    order = "<" if block[:2] == b"II" else ">"
    try:
        (start,) = struct.unpack_from(order + "I", block, 4)
        tags = _tags(block, start, order)
        folder = tags.get(_EXIF_FOLDER)
        if isinstance(folder, int):
            tags |= _tags(block, folder, order)
    except struct.error:
        return Exif()
    orientation = tags.get(_ORIENTATION)
    return Exif(
        taken_at=_iso(tags.get(_TAKEN), tags.get(_OFFSET)),
        camera=" ".join(str(tags[tag]) for tag in (_MODEL, _SERIAL) if tags.get(tag)),
        orientation=orientation if isinstance(orientation, int) else 1,
        settings=_settings(tags),
    )


def _settings(tags: Mapping[int, int | float | str]) -> CameraSettings:
    seconds, balance = tags.get(_EXPOSURE), tags.get(_WHITE_BALANCE)
    return CameraSettings(
        software=str(tags.get(_SOFTWARE, "")),
        exposure_ms=1000 * seconds if isinstance(seconds, float) and seconds > 0 else None,
        white_balance=_BALANCES.get(balance, "") if isinstance(balance, int) else "",
    )


def _tiff_block(data: bytes) -> bytes | None:
    """The TIFF block of the first Exif segment, looked for in the header only."""
    at = data.find(b"Exif\x00\x00", 0, 1 << 16)
    if not data.startswith(b"\xff\xd8") or at < 0:
        return None
    block = data[at + 6 : at + 6 + (1 << 16)]
    return block if block[:2] in {b"II", b"MM"} else None


def _tags(block: bytes, start: int, order: str) -> dict[int, int | float | str]:
    (count,) = struct.unpack_from(order + "H", block, start)
    found: dict[int, int | float | str] = {}
    for i in range(count):
        entry = start + 2 + 12 * i
        tag, kind, n = struct.unpack_from(order + "HHI", block, entry)
        if kind == _ASCII:
            found[tag] = _text(block, entry, n, order)
        elif kind in {_SHORT, _LONG} and n == 1:
            (found[tag],) = struct.unpack_from(order + ("H" if kind == _SHORT else "I"), block, entry + 8)
        elif kind == _RATIONAL and n == 1:
            (at,) = struct.unpack_from(order + "I", block, entry + 8)
            above, below = struct.unpack_from(order + "II", block, at)
            found[tag] = above / below if below else 0.0
    return found


def _text(block: bytes, entry: int, n: int, order: str) -> str:
    inline = n * _SIZES[_ASCII] <= 4
    at = entry + 8 if inline else struct.unpack_from(order + "I", block, entry + 8)[0]
    return block[at : at + n].split(b"\x00")[0].decode("ascii", "replace").strip()


def _iso(taken: int | float | str | None, offset: int | float | str | None) -> str:
    match = re.fullmatch(r"(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d)", str(taken or ""))
    if not match:
        return ""
    year, month, day, clock = match.groups()
    zone = str(offset) if re.fullmatch(r"[+-]\d\d:\d\d", str(offset or "")) else ""
    return f"{year}-{month}-{day}T{clock}{zone}"
