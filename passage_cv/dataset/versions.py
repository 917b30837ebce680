"""The history of the data set: small hash-chained files that name batches and facts, and never change.

``versions/NNNNNN-<hash12>.json`` is named by its own SHA-256; it counts once ``heads/NNNNNN`` names it, and
that file can be created by one writer only. A killed writer leaves at most files that nothing names. Batches
are listed in windows, so that a version file stays small however many there are.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Literal

import pyarrow as pa
from pydantic import Field

from passage_cv.config import Settings, parse_settings
from passage_cv.dataset.applying import AMENDED, apply_amendments
from passage_cv.dataset.facts import (
    Amendment,
    BatchEntry,
    RegisterFact,
    RolesFact,
    Sha256,
    WindowFact,
    put_fact,
    read_fact,
    read_later_fact,
)
from passage_cv.dataset.old_formats import fill_facts
from passage_cv.dataset.rows import ROWS_SCHEMA, batch_rows, find_packs, window_rows
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import tuples
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes

WINDOW = 64
"""Batches in a full window."""

_NAME = re.compile(r"\d{6}-[0-9a-f]{12}")
_RETRIES = 200


class VersionRecord(Settings):
    """The content of one version file (formats 6).

    ``sealed`` holds the hashes of full windows, ``batches`` the batches since; ``facts`` the amendments and
    registrations. Format 2 (2026-11-25) counts the batches; the first files of format 1 did not.
    """

    format: Literal[1, 2]
    number: Annotated[int, Field(ge=1)]
    parent: str
    store_sha256: Sha256
    sealed: tuple[Sha256, ...] = ()
    batches: tuple[BatchEntry, ...] = ()
    n_batches: int = Field(default_factory=lambda read: len(read["batches"]))
    facts: tuple[Sha256, ...] = ()
    author: str
    at: str
    reason: str

    def encoded(self) -> bytes:
        """The bytes of the version file: what it said when it was read, so that an old one keeps its name."""
        return canonical_json(self.model_dump(mode="json", exclude_unset=True))

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

    @cached_property
    def windows(self) -> dict[str, tuple[BatchEntry, ...]]:
        """The full windows: hash to batches."""
        return {sha256: read_fact(self.store, sha256, WindowFact).batches for sha256 in self.record.sealed}

    def share_windows(self, earlier: Version) -> None:
        """Take over full windows that an earlier version of the same store has read: they never change."""
        if self.record.sealed == earlier.record.sealed and "windows" in vars(earlier):
            vars(self)["windows"] = earlier.windows

    @cached_property
    def entries(self) -> tuple[BatchEntry, ...]:
        """Every batch, in order of acceptance."""
        return (*(entry for batches in self.windows.values() for entry in batches), *self.record.batches)

    @cached_property
    def parts(self) -> dict[str, tuple[BatchEntry, ...]]:
        """What is read at once: full windows by their hash, then the batches since by that of their rows."""
        return {**self.windows, **{entry.segment: (entry,) for entry in self.record.batches}}

    @cached_property
    def filled_facts(self) -> dict[str, RolesFact]:
        """Roles facts of a store begun in an old format, as they would stand today; empty in all other stores."""
        began = read_record(self.store, "000001")
        return {} if "n_batches" in began.model_fields_set else fill_facts(self.store, self.entries)

    def roles_fact(self, entry: BatchEntry) -> RolesFact:
        """What accepting a batch fixed."""
        return self.filled_facts.get(entry.roles) or read_fact(self.store, entry.roles, RolesFact)

    def roles_facts(self) -> list[RolesFact]:
        """The facts fixed with each batch, in order of acceptance."""
        return [self.roles_fact(entry) for entry in self.entries]

    @cached_property
    def amendments(self) -> tuple[Amendment, ...]:
        """Every amendment, in order."""
        return tuple(fact for fact in self.later_facts if isinstance(fact, Amendment))

    @cached_property
    def later_facts(self) -> tuple[Amendment | RegisterFact, ...]:
        """Amendments and registrations, in order."""
        return tuple(read_later_fact(self.store, sha256) for sha256 in self.record.facts)

    def table(self, columns: Sequence[str] | None = None, *, parts: Collection[str] | None = None) -> pa.Table:
        """A row per image with its role, amendments applied.

        Parameters
        ----------
        columns
            Which of ``rows.ROWS_SCHEMA`` to read; all by default. A few open a large store much faster.
        parts
            Which of :attr:`parts` to read; all by default.
        """
        if parts is None:
            return self._all_rows if columns is None else self._read(columns, self.parts)
        return self._read(columns or ROWS_SCHEMA.names, parts)

    def received(self, columns: Sequence[str]) -> pa.Table:
        """A row per image as its batch was accepted, no amendment applied: some columns and those of ``AMENDED``."""
        return self._unamended(list(dict.fromkeys([*columns, *AMENDED])), self.parts)

    def find_batch(self, name: str) -> BatchEntry | None:
        """The batch with the content of this name, under whatever folder name it came; None if there is none."""
        digest = name.rpartition("-")[2]
        return next((entry for entry in self.entries if entry.id.rpartition("-")[2] == digest), None)

    @cached_property
    def _all_rows(self) -> pa.Table:
        return self._read(ROWS_SCHEMA.names, self.parts)

    def _read(self, columns: Sequence[str], chosen: Collection[str]) -> pa.Table:
        needed = list(dict.fromkeys([*columns, *(AMENDED if self.amendments else ())]))
        return apply_amendments(self._unamended(needed, chosen), self.amendments).select(list(columns))

    def _unamended(self, columns: Sequence[str], chosen: Collection[str]) -> pa.Table:
        packs = find_packs(self.store) if self.windows.keys() & set(chosen) else {}
        filled = self.filled_facts
        parts = [
            window_rows(self.store, window, entries, columns, packs, filled)
            for window, entries in self.windows.items()
            if window in chosen
        ]
        since = (entry for entry in self.record.batches if entry.segment in chosen)
        parts += [batch_rows(self.store, entry, columns, filled) for entry in since]
        return pa.concat_tables(parts) if parts else ROWS_SCHEMA.empty_table().select(list(columns))


def list_versions(store: Store) -> list[VersionInfo]:
    """The history, oldest first."""
    return [version_info(read_record(store, number)) for number in store.storage.names("heads")]


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


def require_version(store: Store, name: str, *, where: str) -> None:
    """Refuse a file of a version that the store does not hold; one that names no version may come from anywhere.

    Raises
    ------
    InputError
        If the store does not hold it: a ledger, pictures and names of other fish would stand for these.
    """
    if not name:
        return
    try:
        open_version(store, name)
    except InputError as error:
        raise InputError(
            f"It comes from data set version {name}, which this store does not hold",
            where=f"{where}; {store.storage.root}",
            do="Give the store that was scored.",
        ) from error


def withdrawn_images(version: Version | None) -> set[str]:
    """Pictures whose files must be gone, by content hash."""
    amendments = version.amendments if version else ()
    return {sha256 for one in amendments if one.kind == "withdraw" for sha256 in one.excluded}


def count_roles(version: Version) -> dict[str, dict[str, int]]:
    """Individuals per class and role, classes by scientific name; pictures of no fish left out."""
    columns = ("individual", "scientificName", "role")
    fish: dict[str, tuple[str, str]] = {}
    for individual, name, role in tuples(version.table(columns), *columns):
        if individual and (individual not in fish or role != "excluded"):
            fish[individual] = (name, role)
    counts: dict[str, dict[str, int]] = {}
    for name, role in sorted(fish.values()):
        per_role = counts.setdefault(name, {})
        per_role[role] = per_role.get(role, 0) + 1
    return counts


def latest_version(store: Store) -> Version | None:
    """The newest version, or None in a fresh store."""
    numbers = store.storage.names("heads")
    return Version(store, read_record(store, numbers[-1])) if numbers else None


def next_record(
    before: Version | None,
    store: Store,
    *,
    author: str,
    at: str,
    reason: str,
    entry: BatchEntry | None = None,
    fact: str = "",
) -> VersionRecord:
    """The record that adds a batch or an amendment on top of a version; a full window is sealed first."""
    record = before.record if before else None
    sealed, batches = (record.sealed, record.batches) if record else ((), ())
    if entry and len(batches) >= WINDOW:
        sealed, batches = (*sealed, put_fact(store, WindowFact(batches=batches))), ()
    return VersionRecord(
        format=2,
        number=record.number + 1 if record else 1,
        parent=record.name if record else "",
        store_sha256=store.settings_sha256,
        n_batches=(record.n_batches if record else 0) + bool(entry),
        sealed=sealed,
        batches=(*batches, entry) if entry else batches,
        facts=(*(record.facts if record else ()), *([fact] if fact else [])),
        author=author,
        at=at,
        reason=reason,
    )


def commit(
    store: Store, make: Callable[[Version | None], VersionRecord | None], *, known: Version | None = None
) -> Version | None:
    """Append a version; where another writer was first, make it again on top of theirs.

    Parameters
    ----------
    store
        Where to append.
    make
        From the newest version (None in a fresh store) to the next record, or None if there is nothing to add.
    known
        A version that was read before: what it read is not read again.

    Raises
    ------
    InputError
        If other writers were first two hundred times.
    """
    for _ in range(_RETRIES):
        before = latest_version(store)
        if before and known:
            before.share_windows(known)
        record = make(before)
        if record is None:
            return None
        path = f"versions/{record.name}.json"
        store.storage.put(path, record.encoded())
        if store.storage.create(f"heads/{record.number:06d}", record.name.encode()):
            made = Version(store, record)
            if before:
                made.share_windows(before)
            return made
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
            f"Head of version {number} says {name!r}", where=store.place(path), do="Restore the file from a copy."
        )
    return name


def version_info(record: VersionRecord) -> VersionInfo:
    """The line of the history that a version file makes."""
    return VersionInfo(
        name=record.name,
        number=record.number,
        n_batches=record.n_batches,
        author=record.author,
        at=record.at,
        reason=record.reason,
    )
