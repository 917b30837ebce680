"""Every look at ``cut`` and ``test``, on record: how often a limit was tried for.

An attempt is one (model, policy) pair whose ``cut`` scores were read. The same pair again is the same
attempt, a refusal on counts alone is none, and a policy that differs only in hold costs is the same policy
here (architecture, "Roles"). The ledger counts; what a count means is decided by calibration.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from passage_cv.config import Settings, parse_settings
from passage_cv.dataset.store import Store
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.policy import Policy

Audited = Literal["cut", "test"]


class Use(Settings):
    """One use of a role's scores; ``counts`` is false for a refusal on counts alone.

    ``attempts`` is how many the policy had fixed beforehand: each had that part of the confidence to spend.
    """

    format: Literal[1] = 1
    at: str
    role: Audited
    model_sha256: str
    policy_sha256: str
    version: str
    purpose: str
    counts: bool = True
    attempts: int = 1


@dataclass(frozen=True, slots=True)
class Attempt:
    """A (model, policy) pair, and the use that made it one."""

    model_sha256: str
    policy_sha256: str
    first: Use


def attempt_policy_sha256(policy: Policy) -> str:
    """Hash of a policy that leaves out what only says how much to hold, the key under which attempts are counted."""
    only_holding = {"hold_cost", "hold_capacity_per_hour", "presentations_per_hour"}
    values = policy.model_dump(
        mode="json", exclude={**dict.fromkeys(only_holding, True), "classes": {"__all__": {"hold_cost"}}}
    )
    return sha256_bytes(canonical_json(values))


def record_use(  # noqa: PLR0913 - a line of the ledger has this many facts
    store: Store,
    *,
    role: Audited,
    model_sha256: str,
    policy_sha256: str,
    purpose: str,
    version: str = "",
    counts: bool = True,
    attempts: int = 1,
    at: datetime | None = None,
) -> Use:
    """Write down that scores of ``cut`` or ``test`` are read; call it before reading them.

    Parameters
    ----------
    store
        Whose individuals were scored.
    role
        The role read.
    model_sha256, policy_sha256
        The pair; the policy's hash is that of :func:`attempt_policy_sha256`.
    purpose
        For a person, for example ``calibrate``.
    version
        The data set's version, so that a later attempt can tell which individuals came afterwards.
    counts
        False where nothing but the number of individuals was looked at.
    attempts
        How many the policy fixed beforehand.
    at
        When; now by default.
    """
    use = Use(
        at=(at or datetime.now(UTC)).isoformat(),
        role=role,
        model_sha256=model_sha256,
        policy_sha256=policy_sha256,
        version=version,
        purpose=purpose,
        counts=counts,
        attempts=attempts,
    )
    data = canonical_json(use.model_dump(mode="json"))
    stamp = use.at.replace(":", "").replace("+", "p")
    store.storage.create(f"ledger/{stamp}-{sha256_bytes(data)[:12]}.json", data)
    return use


def uses_of(store: Store, role: Audited) -> list[Use]:
    """Every recorded use of a role, oldest first."""
    found = []
    for name in store.storage.names("ledger"):
        where = store.place(f"ledger/{name}")
        try:
            values = json.loads(store.storage.read(f"ledger/{name}"))
        except ValueError as error:
            raise InputError("Ledger entry is damaged", where=where, do="Restore it from a copy.") from error
        found.append(parse_settings(values, Use, where=where))
    return sorted((use for use in found if use.role == role), key=lambda use: datetime.fromisoformat(use.at))


def attempts_of(store: Store, role: Audited = "cut") -> list[Attempt]:
    """The distinct (model, policy) pairs whose scores of a role were read, in order of their first use."""
    first: dict[tuple[str, str], Use] = {}
    for use in uses_of(store, role):
        if use.counts:
            first.setdefault((use.model_sha256, use.policy_sha256), use)
    return [Attempt(model, policy, use) for (model, policy), use in first.items()]


def attempt_number(store: Store, *, model_sha256: str, policy_sha256: str) -> int:
    """Which attempt this pair is (from 1): its own number if it was tried before, else the next one."""
    pairs = [(one.model_sha256, one.policy_sha256) for one in attempts_of(store)]
    pair = (model_sha256, policy_sha256)
    return pairs.index(pair) + 1 if pair in pairs else len(pairs) + 1
