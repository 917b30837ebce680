"""What a site asks of its cutoffs, as plain numbers: costs, limits, hold rules, what the crew can clear.

Comes in: a policy, or a cutoffs file that was made under one. Goes out: one record that the search, the what-if page
and the sweeps read alike. No fish and no score is looked at here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from passage_cv.decision.costs import ClassCosts, class_costs
from passage_cv.decision.cutoffs_file import Cutoffs, HoldRules, LimitShown
from passage_cv.decision.guarantee import Mode
from passage_cv.decision.unknown import UnknownRule
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


def demands_of(policy: Policy, classes: tuple[str, ...], *, unknown: UnknownRule | None = None) -> Demands:
    """The demands of a policy in a model's class order (the classes must be the same)."""
    unknown = unknown or UnknownRule()
    spared = {rule.code: rule.never_reject_above for rule in policy.classes if rule.never_reject_above is not None}
    return Demands(
        costs=class_costs(policy, classes),
        limits=tuple(_limits(policy)),
        mode=policy.mode,
        seed=draw_seed(policy.sha256),
        rules=HoldRules(
            views_min=policy.views.min,
            unfamiliarity_above=unknown.above,
            unfamiliarity_from=unknown.source,
            never_reject_above=spared,
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


def with_limit(demands: Demands, asked: Limit, rate: float) -> Demands:
    """The same demands with one limit moved."""
    limits = tuple(replace(limit, rate=rate) if limit == asked else limit for limit in demands.limits)
    return replace(demands, limits=limits)


def with_error_cost(demands: Demands, code: str, cost: float) -> Demands:
    """The same demands with another cost of one class's wrong final action."""
    own = np.array([name == code for name in demands.costs.classes])
    return replace(demands, costs=replace(demands.costs, error=np.where(own, cost, demands.costs.error)))


def with_hold_cost(demands: Demands, factor: float) -> Demands:
    """The same demands with every hold cost multiplied."""
    return replace(demands, costs=replace(demands.costs, hold=demands.costs.hold * factor))


def with_excluded_share(demands: Demands, share: float) -> Demands:
    """The same demands with another expected share of the excluded classes together, in (0, 1).

    Examples
    --------
    >>> costs = ClassCosts(("A", "B", "C"), np.array([True, True, False]), np.array([0.03, 0.01, 0.96]),
    ...                    np.ones(3), np.ones(3))
    >>> moved = with_excluded_share(Demands(costs, (), "fish", 0, HoldRules()), 0.4)
    >>> np.round(moved.costs.shares, 12).tolist()
    [0.3, 0.1, 0.6]
    """
    excluded, shares = demands.costs.excluded, demands.costs.shares
    together = shares[excluded].sum()
    moved = np.where(excluded, shares * share / together, shares * (1 - share) / (1 - together))
    return replace(demands, costs=replace(demands.costs, shares=moved))


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
