"""Which ``cut`` individuals may still set a cutoff: each has one confidence to spend (architecture, "Roles").

An attempt is a (model, policy) pair and the ``cut`` individuals it read; it spends one part in as many as its policy
had fixed beforehand. The same pair on the same individuals again is the same attempt. On individuals that entered
``cut`` afterwards it is a new one, as is any other pair, and may use only those that have enough left.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from passage_cv.dataset.ledger import Use, uses_of
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import tuples
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.errors import InputError


@dataclass(frozen=True, slots=True)
class Standing:
    """Which attempt on this store it would be, from 1, and which individuals it must leave out."""

    number: int
    spent: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Reading:
    """An attempt as the ledger tells it."""

    model_sha256: str
    policy_sha256: str
    read: frozenset[str]
    part: Fraction


def attempt_standing(
    store: Store,
    individuals: Collection[str],
    *,
    model_sha256: str,
    policy_sha256: str,
    attempts: int,
    version: str,
) -> Standing:
    """Where a (model, policy) pair stands that would now read some ``cut`` individuals.

    Parameters
    ----------
    store
        Whose ledger and history are read; nothing is written.
    individuals
        Those of role ``cut`` in the scores. One that the store does not know counts as read by every attempt.
    model_sha256, policy_sha256
        The pair; the policy's hash is that of :func:`~passage_cv.dataset.ledger.attempt_policy_sha256`.
    attempts
        How many the policy fixed beforehand, so that each has that part of the confidence.
    version
        The scores' version; the newest where it is not known.
    """
    own = _Reading(model_sha256, policy_sha256, _in_cut(store, version), Fraction(1, attempts))
    earlier = list(dict.fromkeys(_reading(store, use) for use in uses_of(store, "cut") if use.counts))
    if own in earlier:
        earlier = earlier[: earlier.index(own)]
    known = _in_cut(store, "latest").union(own.read, *(one.read for one in earlier))
    spent = {
        name
        for name in individuals
        if own.part + sum(one.part for one in earlier if name in one.read or name not in known) > 1
    }
    return Standing(len(earlier) + 1, frozenset(spent))


def _reading(store: Store, use: Use) -> _Reading:
    version = use.version or _version_at(store, datetime.fromisoformat(use.at))
    return _Reading(use.model_sha256, use.policy_sha256, _in_cut(store, version), Fraction(1, use.attempts))


def _in_cut(store: Store, version: str) -> frozenset[str]:
    """Individuals of role ``cut`` in a version; of the newest one where the name is not known here."""
    try:
        table = open_version(store, version or "latest").table()
    except InputError:
        names = list_versions(store)
        if not names:
            return frozenset()
        table = open_version(store).table()
    return frozenset(name for name, role in tuples(table, "individual", "role") if role == "cut")


def _version_at(store: Store, moment: datetime) -> str:
    """The newest version that was there at a moment."""
    names = [info.name for info in list_versions(store) if datetime.fromisoformat(info.at) <= moment]
    return names[-1] if names else ""
