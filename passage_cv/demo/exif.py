"""The few camera facts a JPEG carries: camera, and local time with its offset from UTC.

Only what a real camera would write and what a crew can check against the sheet; nothing about the fish.
"""

from __future__ import annotations

import struct
from datetime import datetime

_ASCII, _LONG = 2, 4
_MODEL, _DATE, _POINTER = 0x0110, 0x0132, 0x8769
_TAKEN, _OFFSET = 0x9003, 0x9011


def with_exif(jpeg: bytes, *, camera: str, taken_at: datetime) -> bytes:
    """Insert an EXIF segment behind the start marker.

    Parameters
    ----------
    jpeg
        A whole JPEG file.
    camera
        Goes to ``Model``.
    taken_at
        With an offset; goes to ``DateTime``, ``DateTimeOriginal`` and ``OffsetTimeOriginal``.

    References
    ----------
    EXIF 2.31 tags, from memory of the standard; the tests read them back with OpenCV and by hand.
    """
    offset = taken_at.strftime("%z")
    clock = taken_at.strftime("%Y:%m:%d %H:%M:%S")
    tiff = _tiff(camera, clock, f"{offset[:3]}:{offset[3:]}")
    segment = b"Exif\0\0" + tiff
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment + jpeg[2:]


def _tiff(camera: str, clock: str, offset: str) -> bytes:
    """Little-endian TIFF: a main directory (model, date, pointer) and the EXIF directory behind it."""
    first = 8
    main_texts = [(_MODEL, camera), (_DATE, clock)]
    second = first + 2 + 12 * 3 + 4 + sum(_stored(text) for _, text in main_texts)
    main = _directory(first, main_texts, pointer=second)
    return b"II*\0" + struct.pack("<I", first) + main + _directory(second, [(_TAKEN, clock), (_OFFSET, offset)])


def _stored(text: str) -> int:
    """Bytes a text takes outside its entry: none up to four with the closing zero."""
    return len(text) + 1 if len(text) + 1 > 4 else 0


def _directory(start: int, texts: list[tuple[int, str]], pointer: int | None = None) -> bytes:
    count = len(texts) + (pointer is not None)
    place = start + 2 + 12 * count + 4
    entries, values = b"", b""
    for tag, text in texts:
        data = text.encode() + b"\0"
        inline = len(data) <= 4
        held = data.ljust(4, b"\0") if inline else struct.pack("<I", place + len(values))
        entries += struct.pack("<HHI", tag, _ASCII, len(data)) + held
        values += b"" if inline else data
    if pointer is not None:
        entries += struct.pack("<HHII", _POINTER, _LONG, 1, pointer)
    return struct.pack("<H", count) + entries + struct.pack("<I", 0) + values
