"""The history of the data set: small hash-chained files that name segments and facts, and never change.

``versions/NNNNNN-<hash12>.json`` is named by its own SHA-256; it counts once ``heads/NNNNNN`` names it, and
that file can be created by one writer only. A killed writer leaves at most files that nothing names.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Literal

import pyarrow as pa
from pydantic import Field

from passage_cv.config import Settings, parse_settings
from passage_cv.dataset.facts import RolesFact, read_fact
from passage_cv.dataset.segments import SCHEMA, decode_segment
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import add_roles, tuples
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.records import Role

_NAME = re.compile(r"\d{6}-[0-9a-f]{12}")
_RETRIES = 200

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class BatchEntry(Settings):
    """An accepted batch: its name, its rows and the facts fixed with it."""

    id: str
    segment: Sha256
    roles: Sha256


class VersionRecord(Settings):
    """The content of one version file (formats 6)."""

    format: Literal[1] = 1
    number: Annotated[int, Field(ge=1)]
    parent: str
    store_sha256: Sha256
    batches: tuple[BatchEntry, ...]
    facts: tuple[Sha256, ...] = ()
    author: str
    at: str
    reason: str

    def encoded(self) -> bytes:
        """The bytes of the version file."""
        return canonical_json(self.model_dump(mode="json"))

    @property
    def name(self) -> str:
        """``NNNNNN-<first 12 digits of the file's SHA-256>``."""
        return f"{self.number:06d}-{sha256_bytes(self.encoded())[:12]}"


@dataclass(frozen=True, slots=True)
class VersionInfo:
    """One line of the history."""

    name: str
    number: int
    n_batches: int
    author: str
    at: str
    reason: str


@dataclass(frozen=True)
class Version:
    """One state of the data set, exactly as it was."""

    store: Store
    record: VersionRecord

    @property
    def name(self) -> str:
        """``NNNNNN-<hash12>``."""
        return self.record.name

    def table(self) -> pa.Table:
        """A row per image with its role (columns: ``segments.SCHEMA``, ``role``, ``excluded_reason``)."""
        return self._table

    def roles_facts(self) -> list[RolesFact]:
        """The facts fixed with each batch, in order of acceptance."""
        return [read_fact(self.store, entry.roles, RolesFact) for entry in self.record.batches]

    @cached_property
    def _table(self) -> pa.Table:
        segments = [read_segment(self.store, entry.segment) for entry in self.record.batches]
        rows = pa.concat_tables(segments) if segments else SCHEMA.empty_table()
        facts = self.roles_facts()
        units: dict[str, Role] = {draw.unit: draw.role for fact in facts for draw in fact.draws}
        excluded = {sha256: reason for fact in facts for sha256, reason in fact.excluded.items()}
        return add_roles(rows, units, excluded, unit=self.store.settings.unit)


def read_segment(store: Store, sha256: str) -> pa.Table:
    """The rows of one batch.

    Raises
    ------
    InputError
        If the segment is missing.
    """
    path = f"segments/{sha256}.parquet"
    try:
        return decode_segment(store.storage.read(path))
    except (OSError, pa.ArrowException) as error:  # a damaged file is an OSError to pyarrow
        raise InputError(
            "Rows of this version cannot be read",
            where=store.place(path),
            do="Run versions verify, and restore the file from a copy.",
        ) from error


def list_versions(store: Store) -> list[VersionInfo]:
    """The history, oldest first."""
    return [_info(read_record(store, number)) for number in store.storage.names("heads")]


def open_version(store: Store, name: str = "latest") -> Version:
    """Open a version by name, by number or as ``latest``.

    Raises
    ------
    InputError
        If there is no such version.
    """
    numbers = store.storage.names("heads")
    if not numbers:
        raise InputError("Store has no version yet", where=store.storage.root, do="Accept a first batch.")
    wanted = numbers[-1] if name == "latest" else name.partition("-")[0].rjust(6, "0")
    found = _head_name(store, wanted) if wanted in numbers else ""
    if not found or ("-" in name and found != name):
        first, last = _head_name(store, numbers[0]), _head_name(store, numbers[-1])
        raise InputError(
            f"There is no version {name!r}, the store has {first} to {last}",
            where=store.storage.root,
            do="See versions list.",
        )
    return Version(store, read_record(store, wanted))


def count_roles(version: Version) -> dict[str, dict[str, int]]:
    """Individuals per class and role, classes by scientific name; pictures of no fish left out."""
    table = version.table()
    fish: dict[str, tuple[str, str]] = {}
    for individual, name, role in tuples(table, "individual", "scientificName", "role"):
        if individual and (individual not in fish or role != "excluded"):
            fish[individual] = (name, role)
    counts: dict[str, dict[str, int]] = {}
    for name, role in sorted(fish.values()):
        per_role = counts.setdefault(name, {})
        per_role[role] = per_role.get(role, 0) + 1
    return counts


def latest_record(store: Store) -> VersionRecord | None:
    """The newest version's record, or None in a fresh store."""
    numbers = store.storage.names("heads")
    return read_record(store, numbers[-1]) if numbers else None


def commit(store: Store, make: Callable[[VersionRecord | None], VersionRecord | None]) -> Version | None:
    """Append a version; where another writer was first, make it again on top of theirs.

    Parameters
    ----------
    store
        Where to append.
    make
        From the newest record (None in a fresh store) to the next one, or None if there is nothing to add.

    Raises
    ------
    InputError
        If other writers were first two hundred times.
    """
    for _ in range(_RETRIES):
        record = make(latest_record(store))
        if record is None:
            return None
        path = f"versions/{record.name}.json"
        store.storage.put(path, record.encoded())
        if store.storage.create(f"heads/{record.number:06d}", record.name.encode()):
            return Version(store, record)
        if _head_name(store, f"{record.number:06d}") != record.name:
            store.storage.remove(path)
    raise InputError("Other writers keep adding versions", where=store.storage.root, do="Try again later.")


def read_record(store: Store, number: str) -> VersionRecord:
    """Read the version of a six-digit number and check that it is the one its name says.

    Raises
    ------
    InputError
        If its file is missing or was changed.
    """
    name = _head_name(store, number)
    path = f"versions/{name}.json"
    where = store.place(path)
    try:
        data = store.storage.read(path)
    except FileNotFoundError as error:
        raise InputError("Version file is missing", where=where, do="Restore it from a copy.") from error
    if sha256_bytes(data)[:12] != name[7:]:
        raise InputError(
            f"Version file was changed: hash {sha256_bytes(data)[:12]}, its name says {name[7:]}",
            where=where,
            do="Restore it from a copy.",
        )
    return parse_settings(json.loads(data), VersionRecord, where=where)


def _head_name(store: Store, number: str) -> str:
    path = f"heads/{number}"
    name = store.storage.read(path).decode("ascii", "replace")
    if not _NAME.fullmatch(name) or name[:6] != number:
        raise InputError(
            f"Head of version {number} says {name!r}",
            where=store.place(path),
            do="Restore the file from a copy.",
        )
    return name


def _info(record: VersionRecord) -> VersionInfo:
    return VersionInfo(
        name=record.name,
        number=record.number,
        n_batches=len(record.batches),
        author=record.author,
        at=record.at,
        reason=record.reason,
    )
