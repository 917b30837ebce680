"""What a site asks of its cutoffs, as plain numbers: costs, limits, hold rules, what the crew can clear.

Comes in: a policy, or a cutoffs file that was made under one. Goes out: one record that the search, the what-if page
and the sweeps read alike. No fish and no score is looked at here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from passage_cv.decision.costs import ClassCosts, class_costs
from passage_cv.decision.cutoffs_file import Cutoffs, HoldRules, LimitShown
from passage_cv.decision.guarantee import Mode
from passage_cv.policy import Policy

LimitKind = Literal["miss", "false rejection", "pooled miss"]

POOLED = "excluded classes together"
"""What stands in place of a class where the excluded classes are limited as one."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit: of which class, on which error, how high, and how likely the claim may be wrong."""

    code: str
    kind: LimitKind
    rate: float
    delta: float


@dataclass(frozen=True, slots=True)
class Capacity:
    """How many fish come in an hour, and how many held ones the crew can clear in one."""

    presentations_per_hour: float
    hold_per_hour: float

    @property
    def most_held(self) -> float:
        """Largest share of presentations that may be held.

        Examples
        --------
        >>> Capacity(presentations_per_hour=120, hold_per_hour=30).most_held
        0.25
        """
        return self.hold_per_hour / self.presentations_per_hour


@dataclass(frozen=True, slots=True)
class Demands:
    """Everything that decides where the cutoffs come to lie, but for the fish."""

    costs: ClassCosts
    limits: tuple[Limit, ...]
    mode: Mode
    seed: int
    rules: HoldRules
    capacity: Capacity | None = None


def demands_of(policy: Policy, classes: tuple[str, ...], *, unfamiliarity_above: float | None = None) -> Demands:
    """The demands of a policy in a model's class order (the classes must be the same)."""
    spared = {rule.code: rule.never_reject_above for rule in policy.classes if rule.never_reject_above is not None}
    return Demands(
        costs=class_costs(policy, classes),
        limits=tuple(_limits(policy)),
        mode=policy.mode,
        seed=draw_seed(policy.sha256),
        rules=HoldRules(
            views_min=policy.views.min, unfamiliarity_above=unfamiliarity_above, never_reject_above=spared
        ),
        capacity=_capacity(policy.presentations_per_hour, policy.hold_capacity_per_hour),
    )


def demands_in(cutoffs: Cutoffs) -> Demands:
    """The demands under which a cutoffs file was made."""
    load = cutoffs.hold_load
    return Demands(
        costs=cutoffs.class_costs,
        limits=tuple(Limit(one.class_, one.kind, one.limit, _delta(one, cutoffs)) for one in cutoffs.asked),
        mode=cutoffs.asked[0].mode if cutoffs.asked else "fish",
        seed=draw_seed(cutoffs.policy_sha256),
        rules=cutoffs.hold_rules,
        capacity=_capacity(load.presentations_per_hour, load.capacity_per_hour) if load else None,
    )


def draw_seed(policy_sha256: str) -> int:
    """Seed of the one draw per trip in mode ``trip``: fixed by the policy, before any score is read."""
    return int(policy_sha256[:8], 16)


def _limits(policy: Policy) -> Iterator[Limit]:
    delta_miss, delta_rejection = policy.deltas
    for rule in policy.classes:
        if rule.miss_limit is not None:
            yield Limit(rule.code, "miss", rule.miss_limit, delta_miss)
        if rule.false_rejection_limit is not None:
            yield Limit(rule.code, "false rejection", rule.false_rejection_limit, delta_rejection)
    if policy.pooled_miss_limit is not None:
        yield Limit(POOLED, "pooled miss", policy.pooled_miss_limit, delta_miss)


def _delta(limit: LimitShown, cutoffs: Cutoffs) -> float:
    return cutoffs.delta_rejection if limit.kind == "false rejection" else cutoffs.delta_miss


def _capacity(presentations: float | None, hold: float | None) -> Capacity | None:
    return Capacity(presentations, hold) if presentations is not None and hold is not None else None
