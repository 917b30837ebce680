"""How the keys of a part lie in a file: in sections that are read and checked one by one, as far as they are needed.

A line of JSON says which sections follow, of how many bytes and with which CRC-32, and begins with its own CRC-32.
A fingerprint lies in two halves: most pictures are told apart by the first, so the second is seldom read.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import BinaryIO, Protocol
from zlib import crc32

import numpy as np
import numpy.typing as npt

Checksums = npt.NDArray[np.uint32]
Words = npt.NDArray[np.uint64]
HALF_WORDS = 2
"""Words of 64 bits in half a fingerprint."""
_CRC_DIGITS = 8


class Part(Protocol):
    """The keys of a part, in memory or in a file."""

    @property
    def images(self) -> Checksums:
        """Checksums of pictures, sorted."""

    @property
    def names(self) -> Checksums:
        """Checksums of individuals, events and trips, sorted."""

    @property
    def sites(self) -> Iterable[str]:
        """Sites with fingerprints."""

    def half(self, site: str, which: int) -> Words:
        """The first (0) or second (1) half of each fingerprint of a site."""


@dataclass(frozen=True, slots=True)
class Keys:
    """Checksums of pictures and names, each sorted, and fingerprints by site, four words each."""

    images: Checksums
    names: Checksums
    fingerprints: Mapping[str, Words]

    @property
    def sites(self) -> Iterable[str]:
        """Sites with fingerprints."""
        return self.fingerprints

    def half(self, site: str, which: int) -> Words:
        """The first (0) or second (1) half of each fingerprint of a site."""
        return self.fingerprints[site][:, HALF_WORDS * which : HALF_WORDS * (which + 1)]


class DamagedKeys(Exception):
    """The bytes of a key file are not those that were written."""


class KeyFile:
    """Keys as they lie in a file; a section is read and checked when it is asked for.

    Raises
    ------
    DamagedKeys
        If what is read is not what was written.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._places = _read_head(stream)

    @property
    def images(self) -> Checksums:
        """Checksums of pictures, sorted."""
        return np.frombuffer(self._section("images", ""), np.uint32)

    @property
    def names(self) -> Checksums:
        """Checksums of individuals, events and trips, sorted."""
        return np.frombuffer(self._section("names", ""), np.uint32)

    @property
    def sites(self) -> Iterable[str]:
        """Sites with fingerprints."""
        return [site for kind, site in self._places if kind == "half 0"]

    def half(self, site: str, which: int) -> Words:
        """The first (0) or second (1) half of each fingerprint of a site."""
        return np.frombuffer(self._section(f"half {which}", site), np.uint64).reshape(-1, HALF_WORDS)

    def read_all(self) -> Keys:
        """Everything, checked."""
        fingerprints = {site: np.hstack([self.half(site, 0), self.half(site, 1)]) for site in self.sites}
        return Keys(self.images, self.names, fingerprints)

    def _section(self, kind: str, site: str) -> bytes:
        start, n_bytes, crc = self._places[kind, site]
        self._stream.seek(start)
        data = self._stream.read(n_bytes)
        if len(data) != n_bytes or crc32(data) != crc:
            raise DamagedKeys(kind)
        return data


def encode_keys(keys: Keys) -> bytes:
    """The bytes of a key file."""
    sections = [("images", "", keys.images.tobytes()), ("names", "", keys.names.tobytes())]
    sections += [(f"half {i}", site, keys.half(site, i).tobytes()) for i in (0, 1) for site in keys.sites]
    told = [[kind, site, len(data), crc32(data)] for kind, site, data in sections]
    head = json.dumps({"format": 2, "sections": told}).encode()
    return b"%08x" % crc32(head) + head + b"\n" + b"".join(data for _, _, data in sections)


def _read_head(stream: BinaryIO) -> dict[tuple[str, str], tuple[int, int, int]]:
    """Kind and site of each section to where it begins, its bytes and their checksum."""
    line = stream.readline()  # streams of stores behind an address take no limit
    crc, head = line[:_CRC_DIGITS], line[_CRC_DIGITS:-1]
    if crc != b"%08x" % crc32(head):
        raise DamagedKeys("head")
    places, start = {}, len(line)
    for kind, site, n_bytes, checksum in json.loads(head)["sections"]:
        places[kind, site] = (start, n_bytes, checksum)
        start += n_bytes
    return places
