"""What a part of a store holds that a new batch could meet, in few bytes, so that a small batch reads little.

A part is a full window or a single later batch. Its keys are the site, fingerprint, content hash, individual, event
and trip of each picture, the last four as 32-bit checksums: they may say "perhaps" where nothing is, never "no" where
something is. They are derived: made again where they are missing or damaged (``key_files``).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from zlib import crc32

import numpy as np
import pyarrow as pa

from passage_cv.dataset.facts import Amendment
from passage_cv.dataset.key_files import HALF_WORDS, Checksums, DamagedKeys, KeyFile, Keys, Part, Words, encode_keys
from passage_cv.dataset.rows import batch_rows
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import distinct, known_rows, rows_among, rows_with, values
from passage_cv.dataset.versions import Version
from passage_cv.intake.looks import as_words, words_apart

KEYS = ".keys2"
"""End of a key file's name; the first files, which ended in ``.keys``, are left over."""
_NAMED = ("individual", "event", "trip")
_COLUMNS = ("image_sha256", *_NAMED, "site", "fingerprint")
_PAIRS_AT_ONCE = 4_000_000
"""Pairs of fingerprints that are compared at once: 8 MB of differences."""


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
    wanted = _with_earlier_names(keys_of(segment), distinct(segment, "individual"), version.amendments)
    return {part for part in version.parts if _meets_part(wanted, version, part, most_bits)}


def parts_of_fish(version: Version, images: Iterable[str]) -> set[str]:
    """The parts of a version that may hold pictures of the fish that some pictures show."""
    asked = set(images)
    wanted = Keys(_image_checksums(asked), np.empty(0, np.uint32), {})
    held = {part for part in version.parts if _meets_part(wanted, version, part, 0)} if asked else set()
    rows = rows_among(version.table(("image_sha256", "individual"), parts=held), "image_sha256", asked)
    called = distinct(rows, "individual")
    names = Keys(wanted.images, np.array([_checksum("individual", one) for one in called], dtype=np.uint32), {})
    wanted = _with_earlier_names(names, called, version.amendments)
    return {part for part in version.parts if _meets_part(wanted, version, part, 0)}


def _meets_part(wanted: Keys, version: Version, part: str, most_bits: int) -> bool:
    try:
        with version.store.storage.open(keys_path(part)) as stream:
            return meets(wanted, KeyFile(stream), most_bits)
    except (FileNotFoundError, DamagedKeys):
        return meets(wanted, make_keys(version, part), most_bits)


def make_keys(version: Version, part: str) -> Keys:
    """Make the keys of a part from its rows, and keep them where the store can be written to."""
    rows = [batch_rows(version.store, entry, _COLUMNS, version.filled_facts) for entry in version.parts[part]]
    keys = keys_of(pa.concat_tables(rows))
    with suppress(OSError):  # a store that may only be read is searched all the same
        version.store.storage.put(keys_path(part), encode_keys(keys), durable=False)
    return keys


def keys_path(part: str) -> str:
    """Where the keys of a part lie."""
    return f"keys/{part[:12]}{KEYS}"


def read_keys(store: Store, part: str) -> Keys | None:
    """The keys kept of a part, or None where there are none or they were changed."""
    try:
        with store.storage.open(keys_path(part)) as stream:
            return KeyFile(stream).read_all()
    except (FileNotFoundError, DamagedKeys):
        return None


def meets(wanted: Keys, part: Part, most_bits: int) -> bool:
    """Whether a part may hold something that a batch with the wanted keys must be held against."""
    return (
        _share_any(wanted.images, part.images)
        or _share_any(wanted.names, part.names)
        or any(
            _any_alike(wanted.fingerprints[site], part, site, most_bits)
            for site in part.sites
            if site in wanted.fingerprints
        )
    )


def _share_any(few: Checksums, many: Checksums) -> bool:
    """Whether two sorted arrays have a value in common."""
    if not len(few) or not len(many):
        return False
    at = np.searchsorted(many, few)
    return bool((many[at[at < len(many)]] == few[at < len(many)]).any())


def _any_alike(ones: Words, part: Part, site: str, most_bits: int) -> bool:
    """Whether any fingerprint of a site is near: by its first half where that parts them, else by both."""
    firsts = part.half(site, 0)
    step = max(1, _PAIRS_AT_ONCE // max(1, len(ones)))
    for start in range(0, len(firsts), step):
        first = firsts[start : start + step]
        near = np.flatnonzero((words_apart(ones[:, :HALF_WORDS], first) <= most_bits).any(axis=0))
        if len(near):
            whole = np.hstack([first[near], part.half(site, 1)[start + near]])
            if (words_apart(ones, whole) <= most_bits).any():
                return True
    return False


def _with_earlier_names(keys: Keys, individuals: Iterable[str], amendments: Sequence[Amendment]) -> Keys:
    """The keys with what pictures and individuals were called before amendments renamed them."""
    called = set(individuals)
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
