"""The registers of set-ups and permits: what is on file in a version, and putting more on file.

Registrations are facts beside the amendments; a version's register is all of them in order. A set-up is never
replaced: what changes gets a new ``setup_id``. A permit may be renewed or extended by a person with a reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Generic, TypeVar

from passage_cv.dataset.facts import RegisterFact, put_fact
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version, VersionRecord, commit, next_record
from passage_cv.errors import InputError
from passage_cv.intake.permits import Permit
from passage_cv.intake.setups import Setup, differences, next_setup_id

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Entry(Generic[T]):
    """Something on file: what it says, and who put it there, when and why."""

    said: T
    author: str
    at: str
    why: str


@dataclass(frozen=True, slots=True)
class Register:
    """Set-ups by ``setup_id`` and permits by number."""

    setups: Mapping[str, Entry[Setup]] = field(default_factory=dict)
    permits: Mapping[str, Entry[Permit]] = field(default_factory=dict)


def register_of(version: Version | None) -> Register:
    """What is on file in a version; nothing in a fresh store."""
    setups: dict[str, Entry[Setup]] = {}
    permits: dict[str, Entry[Permit]] = {}
    for fact in version.later_facts if version else ():
        if isinstance(fact, RegisterFact):
            for setup in fact.setups:
                setups.setdefault(setup.setup_id, Entry(setup, fact.author, fact.at, fact.why))
            for permit in fact.permits:
                permits[permit.number] = Entry(permit, fact.author, fact.at, fact.why)
    return Register(setups, permits)


def changed_setup(register: Register, setup: Setup) -> str:
    """What is wrong with describing a set-up so; empty where it is new or the same."""
    known = register.setups.get(setup.setup_id)
    found = differences(known.said, setup) if known else []
    if known is None or not found:
        return ""
    return (
        f"Set-up {setup.setup_id} is on file since {known.at[:10]} ({known.author}) and {', '.join(found)}:"
        f" a changed set-up needs a setup_id of its own, for example {next_setup_id(setup.setup_id)}"
    )


def put_on_file(
    store: Store,
    *,
    setups: Sequence[Setup] = (),
    permits: Sequence[Permit] = (),
    author: str,
    why: str,
    at: datetime | None = None,
) -> Version | None:
    """Put set-ups and permits on file as a new version; permits of a known number replace what was there.

    A fresh store gets its first version, without a batch: a season's papers come before its first trip.

    Returns
    -------
    Version or None
        None where all of it is on file already, word for word.

    Raises
    ------
    InputError
        If author or reason is missing, or a set-up on file would change.
    """
    if not author.strip() or not why.strip():
        raise InputError("Putting on file needs an author and a reason", where=store.storage.root, do="Give both.")
    when = (at or datetime.now(UTC)).isoformat()

    def make(before: Version | None) -> VersionRecord | None:
        register = register_of(before)
        _require_unchanged(store, register, setups)
        fact = new_entries(register, setups=setups, permits=permits, author=author, at=when, why=why)
        if fact is None:
            return None
        named = [*(one.setup_id for one in fact.setups), *(one.number for one in fact.permits)]
        said = f"on file {', '.join(named)}: {why}"
        return next_record(before, store, fact=put_fact(store, fact), author=author, at=when, reason=said)

    return commit(store, make)


def new_entries(
    register: Register,
    *,
    setups: Iterable[Setup] = (),
    permits: Iterable[Permit] = (),
    author: str,
    at: str,
    why: str,
) -> RegisterFact | None:
    """The fact that puts on file what is not there yet, or None where there is nothing new."""
    fresh = tuple(one for one in setups if one.setup_id not in register.setups)
    changed = tuple(one for one in permits if one.number not in register.permits or _is_other(register, one))
    if not fresh and not changed:
        return None
    return RegisterFact(author=author, at=at, why=why, setups=fresh, permits=changed)


def _is_other(register: Register, permit: Permit) -> bool:
    return register.permits[permit.number].said != permit


def _require_unchanged(store: Store, register: Register, setups: Iterable[Setup]) -> None:
    for setup in setups:
        problem = changed_setup(register, setup)
        if problem:
            raise InputError(problem, where=store.storage.root, do="Describe it under a new setup_id.")
