"""What a part of a store holds that a new batch could meet, in few bytes, so that a small batch reads little.

A part is a full window or a single later batch. Its keys are the site, fingerprint, content hash, individual, event
and trip of each picture, the last four as 32-bit checksums: they may say "perhaps" where nothing is, never "no" where
something is. They are derived: made again where they are missing, never believed without the hash they begin with.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from zlib import crc32

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from passage_cv.dataset.facts import Amendment
from passage_cv.dataset.rows import batch_rows
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import distinct, known_rows, rows_with, values
from passage_cv.dataset.versions import Version
from passage_cv.intake.looks import as_words, words_apart

_NAMED = ("individual", "event", "trip")
_COLUMNS = ("image_sha256", *_NAMED, "site", "fingerprint")
_HASH_BYTES = 32
_PAIRS_AT_ONCE = 4_000_000
"""Pairs of fingerprints that are compared at once: 8 MB of differences."""

Checksums = npt.NDArray[np.uint32]
Words = npt.NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class Keys:
    """Checksums of pictures and names, each sorted, and fingerprints by site."""

    images: Checksums
    names: Checksums
    fingerprints: Mapping[str, Words]


def keys_of(rows: pa.Table) -> Keys:
    """The keys of some rows; needs the columns image_sha256, individual, event, trip, site and fingerprint."""
    names = {_checksum(column, name) for column in _NAMED for name in distinct(rows, column) if name}
    known = known_rows(rows, "fingerprint")
    return Keys(
        images=_image_checksums(values(rows, "image_sha256")),
        names=np.array(sorted(names), dtype=np.uint32),
        fingerprints={
            site: as_words(values(rows_with(known, "site", site), "fingerprint")) for site in distinct(known, "site")
        },
    )


def parts_to_read(segment: pa.Table, version: Version, most_bits: int) -> set[str]:
    """The parts of a version that may hold something a batch's rows must be held against.

    That is one of its pictures, individuals, events or trips, or a picture of the same site whose fingerprint is at
    most ``most_bits`` away.
    """
    wanted = _with_earlier_names(keys_of(segment), segment, version.amendments)
    return {
        part
        for part in version.parts
        if _meets(wanted, read_keys(version.store, part) or make_keys(version, part), most_bits)
    }


def make_keys(version: Version, part: str) -> Keys:
    """Make the keys of a part from its rows, and keep them where the store can be written to."""
    rows = [batch_rows(version.store, entry, _COLUMNS, version.filled_facts) for entry in version.parts[part]]
    keys = keys_of(pa.concat_tables(rows))
    with suppress(OSError):  # a store that may only be read is searched all the same
        version.store.storage.put(keys_path(part), encode_keys(keys), durable=False)
    return keys


def keys_path(part: str) -> str:
    """Where the keys of a part lie."""
    return f"keys/{part[:12]}.keys"


def read_keys(store: Store, part: str) -> Keys | None:
    """The keys kept of a part, or None where there are none or they were changed."""
    try:
        data = store.storage.read(keys_path(part))
    except FileNotFoundError:
        return None
    return decode_keys(data)


def encode_keys(keys: Keys) -> bytes:
    """SHA-256 of the rest, then a line of JSON with the counts, padding to 8 bytes, fingerprints, images, names."""
    sites = [[site, len(own)] for site, own in keys.fingerprints.items()]
    head = json.dumps({"format": 1, "sites": sites, "images": len(keys.images), "names": len(keys.names)}).encode()
    head += b" " * (-(len(head) + 1) % 8) + b"\n"
    words = b"".join(part.tobytes() for part in keys.fingerprints.values())
    body = head + words + keys.images.tobytes() + keys.names.tobytes()
    return sha256(body).digest() + body


def decode_keys(data: bytes) -> Keys | None:
    """Keys from their bytes; None where these are not what they begin with."""
    body = memoryview(data)[_HASH_BYTES:]
    if sha256(body).digest() != data[:_HASH_BYTES]:
        return None
    end = data.index(b"\n", _HASH_BYTES) + 1
    head = json.loads(data[_HASH_BYTES:end])
    fingerprints: dict[str, Words] = {}
    for site, count in head["sites"]:
        fingerprints[site] = np.frombuffer(data, np.uint64, 4 * count, end).reshape(-1, 4)
        end += fingerprints[site].nbytes
    images = np.frombuffer(data, np.uint32, head["images"], end)
    return Keys(images, np.frombuffer(data, np.uint32, head["names"], end + images.nbytes), fingerprints)


def _meets(wanted: Keys, part: Keys, most_bits: int) -> bool:
    return (
        _share_any(wanted.images, part.images)
        or _share_any(wanted.names, part.names)
        or any(
            _any_alike(words, part.fingerprints[site], most_bits)
            for site, words in wanted.fingerprints.items()
            if site in part.fingerprints
        )
    )


def _share_any(few: Checksums, many: Checksums) -> bool:
    """Whether two sorted arrays have a value in common."""
    if not len(few) or not len(many):
        return False
    at = np.searchsorted(many, few).clip(max=len(many) - 1)
    return bool((many[at] == few).any())


def _any_alike(ones: Words, others: Words, most_bits: int) -> bool:
    step = max(1, _PAIRS_AT_ONCE // max(1, len(ones)))
    return any(
        bool((words_apart(ones, others[start : start + step]) <= most_bits).any())
        for start in range(0, len(others), step)
    )


def _with_earlier_names(keys: Keys, segment: pa.Table, amendments: Sequence[Amendment]) -> Keys:
    """The keys with what pictures and individuals were called before amendments renamed them."""
    called = set(distinct(segment, "individual"))
    images: set[str] = set()
    for amendment in reversed(amendments):
        if amendment.kind in {"merge", "split"} and amendment.becomes in called:
            called.add(amendment.individual)
            images |= set(amendment.images)
    names = {*keys.names.tolist(), *(_checksum("individual", name) for name in called if name)}
    pictures = np.concatenate([keys.images, _image_checksums(images)])
    return Keys(np.unique(pictures), np.array(sorted(names), dtype=np.uint32), keys.fingerprints)


def _image_checksums(images: Iterable[str]) -> Checksums:
    return np.unique(np.array([int(image[:8], 16) for image in images], dtype=np.uint32))


def _checksum(column: str, name: str) -> int:
    return crc32(f"{column}:{name}".encode())
