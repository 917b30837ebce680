"""What a picture file says before it is decoded: type, size in pixels, where it ends.

Reads headers only, so that a file that would unpack to gigabytes is refused while it is still small. Every
function takes bytes and returns None where the bytes are not what they should be.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

_JPEG_SIZES = frozenset({*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC})
_JPEG_BARE = frozenset({0x01, *range(0xD0, 0xD9)})
_JPEG_SCAN = 0xDA
_JPEG_MARKER = re.compile(rb"\xff[^\x00\x01\xd0-\xd8\xff]")


@dataclass(frozen=True, slots=True)
class Container:
    """Kind of file (its true ending), size in pixels, and bytes up to the end of the picture (0 = unknown)."""

    kind: str
    width: int
    height: int
    n_bytes: int


def read_container(data: bytes) -> Container | None:
    """The container of a picture by its first bytes, whatever its name says; None if it is none we read.

    Examples
    --------
    >>> read_container(b"GIF89a") is None
    True
    """
    for magic, read in _READERS.items():
        if data.startswith(magic):
            try:
                return read(data)
            except (struct.error, IndexError):
                return None
    return None


def _jpeg(data: bytes) -> Container | None:
    """Walk the segments to the frame header, then the scans to the end marker (ISO 10918-1, annex B)."""
    size: tuple[int, int] | None = None
    at = 2
    while 0 <= at < len(data) - 1:
        marker = data[at + 1] if data[at] == 0xFF else 0x00
        if marker == 0xD9:
            return Container("jpg", *size, at + 2) if size else None
        if marker in {0x00, 0xFF} or marker in _JPEG_BARE:  # coded picture, a fill byte or a marker without length
            at = _next_marker(data, at + (1 if marker in {0x00, 0xFF} else 2))
            continue
        if marker == _JPEG_SCAN and size and _ends_once(data, at):
            return Container("jpg", *size, len(data))
        (length,) = struct.unpack_from(">H", data, at + 2)
        if marker in _JPEG_SIZES:
            height, width = struct.unpack_from(">HH", data, at + 5)
            size = (width, height)
        at += 2 + length
    return Container("jpg", *size, 0) if size else None


def _ends_once(data: bytes, start: int) -> bool:
    """Whether the only end marker from here on is the file's last two bytes: then there is nothing to walk."""
    values = np.frombuffer(data, dtype=np.uint8, offset=start)
    ends = np.flatnonzero(values[1:] == 0xD9)
    ends = ends[values[ends] == 0xFF]
    return len(ends) == 1 and int(ends[0]) == len(values) - 2


def _next_marker(data: bytes, start: int) -> int:
    """Where the next marker of a coded picture begins, past stuffed bytes and restarts; -1 where there is none."""
    found = _JPEG_MARKER.search(data, start)
    return found.start() if found else -1


def _png(data: bytes) -> Container | None:
    width, height = struct.unpack_from(">II", data, 16)
    at = 8
    while at + 8 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        kind = data[at + 4 : at + 8]
        at += 12 + length
        if kind == b"IEND":
            return Container("png", width, height, at)
    return Container("png", width, height, 0)


def _bmp(data: bytes) -> Container | None:
    n_bytes, width, height = struct.unpack_from("<2xI12xii", data)
    return Container("bmp", width, abs(height), n_bytes)


def _webp(data: bytes) -> Container | None:
    if data[8:12] != b"WEBP":
        return None
    (length,) = struct.unpack_from("<I", data, 4)
    size = _webp_size(data)
    return Container("webp", *size, 8 + length + length % 2) if size else None


def _webp_size(data: bytes) -> tuple[int, int] | None:
    kind = data[12:16]
    if kind == b"VP8X":
        return 1 + int.from_bytes(data[24:27], "little"), 1 + int.from_bytes(data[27:30], "little")
    if kind == b"VP8L":
        (bits,) = struct.unpack_from("<I", data, 21)
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    if kind == b"VP8 ":
        width, height = struct.unpack_from("<HH", data, 26)
        return width & 0x3FFF, height & 0x3FFF
    return None


_READERS: Mapping[bytes, Callable[[bytes], Container | None]] = {
    b"\xff\xd8\xff": _jpeg,
    b"\x89PNG\r\n\x1a\n": _png,
    b"BM": _bmp,
    b"RIFF": _webp,
}
