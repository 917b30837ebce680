"""What a site's demands come to on some fish: caps under the limits, the cutoffs of least cost, the load of holds.

The core of the decision stage, pure: :func:`weigh` is called on ``cut`` fish to set cutoffs, and on out-of-fold
``train`` fish to see what other demands would do. Which fish may be read, and when, is decided by its callers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypedDict

import numpy as np

from passage_cv.decision.calibration import ModelCalibration
from passage_cv.decision.combine import Individuals, Ints, name_codes
from passage_cv.decision.costs import ClassCosts
from passage_cv.decision.cutoffs import (
    Choice,
    Costs,
    cost_at,
    held_share,
    least_held,
    search_cutoffs,
    search_within_capacity,
)
from passage_cv.decision.demands import Capacity, Demands, Limit, LimitKind
from passage_cv.decision.guarantee import Cap, miss_cap, rejection_floor
from passage_cv.decision.rule import Scored, score_individuals
from passage_cv.scores import Floats


class _Bounds(TypedDict):
    u_cap: float
    v_floor: float


@dataclass(frozen=True, slots=True)
class Hold:
    """Share of presentations that is held at the expected shares, and what keeping it low costs.

    ``least`` is the smallest share that the limits leave possible. ``met`` says whether the crew can clear what is
    held; ``price`` is the cost per presentation of keeping within the capacity, ``next_fish`` what one more fish
    cleared per hour would save, also per presentation. All three are None where no capacity was given.
    """

    share: float
    least: float
    met: bool | None = None
    price: float | None = None
    next_fish: float | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """Cutoffs, what was shown for each limit, and what they cost per presentation."""

    choice: Choice
    u_cap: float
    v_floor: float
    caps: tuple[tuple[Limit, Cap], ...]
    hold: Hold
    without_limits: float
    hold_all: float

    def cap_of(self, code: str, kind: LimitKind) -> Cap:
        """What was found for one limit (KeyError where it was not asked)."""
        return {(limit.code, limit.kind): cap for limit, cap in self.caps}[code, kind]


@dataclass(frozen=True, slots=True)
class Weighed:
    """Individuals as the search sees them, classes at the site's shares: scores, weighted costs, weights of sum 1."""

    scored: Scored
    costs: Costs
    weights: Floats


def weigh(individuals: Individuals, calibration: ModelCalibration, demands: Demands) -> Outcome:
    """Find the cutoffs of least expected cost that keep every limit, and the hold capacity where limits leave room.

    Parameters
    ----------
    individuals
        Fish of the policy's classes only; at least one.
    calibration
        Fixed beforehand.
    demands
        What the site asks.

    Notes
    -----
    Assumes: as :func:`~passage_cv.decision.guarantee.miss_cap`, for these fish. One shared cutoff keeps every
    class's limit at full confidence, because the caps are nested (intersection-union, Berger 1982).
    """
    fish = weigh_fish(individuals, calibration, demands)
    caps = tuple(_caps(individuals, fish.scored, demands))
    u_cap = min((cap.cutoff for limit, cap in caps if limit.kind != "false rejection"), default=math.inf)
    v_floor = max((cap.cutoff for limit, cap in caps if limit.kind == "false rejection"), default=-math.inf)
    choice, hold = _choose(fish, {"u_cap": u_cap, "v_floor": v_floor}, demands.capacity)
    to_pass, to_reject = fish.scored.to_pass, fish.scored.to_reject
    return Outcome(
        choice=choice,
        u_cap=u_cap,
        v_floor=v_floor,
        caps=caps,
        hold=hold,
        without_limits=search_cutoffs(to_pass, to_reject, fish.costs).cost,
        hold_all=cost_at(to_pass, to_reject, fish.costs, u=-math.inf, v=math.inf),
    )


def weigh_fish(individuals: Individuals, calibration: ModelCalibration, demands: Demands) -> Weighed:
    """Gate scores, hold rules and weighted costs of individuals under some demands."""
    scored = score_individuals(
        individuals,
        calibration,
        demands.costs,
        never_reject_above=demands.rules.never_reject_above,
        unfamiliarity_above=demands.rules.unfamiliarity_above,
    )
    labels = _labels(individuals, demands.costs)
    weights = demands.costs.shares[labels] / np.bincount(labels)[labels]
    error, hold, excluded = (
        demands.costs.error[labels],
        demands.costs.hold[labels],
        demands.costs.excluded[labels],
    )
    costs = Costs(on_pass=weights * error * excluded, on_hold=weights * hold, on_reject=weights * error * ~excluded)
    return Weighed(scored, costs, weights / weights.sum())


def class_actions(individuals: Individuals, fish: Weighed, costs: ClassCosts, choice: Choice) -> Floats:
    """Share of each class that two cutoffs pass, hold and reject, shape (n_classes, 3); NaN for a class not met."""
    labels = _labels(individuals, costs)
    passed = fish.scored.to_pass < choice.u
    rejected = ~passed & (fish.scored.to_reject > choice.v)
    counts = np.bincount(labels, minlength=len(costs.classes))
    by_class = [
        np.bincount(labels, weights=taken, minlength=len(costs.classes))
        for taken in (passed, ~passed & ~rejected, rejected)
    ]
    with np.errstate(invalid="ignore"):
        return np.stack(by_class, axis=1) / counts[:, None]


def _labels(individuals: Individuals, costs: ClassCosts) -> Ints:
    names, group = np.unique(individuals.label, return_inverse=True)
    return np.array([costs.classes.index(str(name)) for name in names], dtype=np.intp)[group]


def _caps(individuals: Individuals, scored: Scored, demands: Demands) -> Iterator[tuple[Limit, Cap]]:
    """What the fish show for each limit: a cap on u for misses, a floor under v for false rejections."""
    labels, trips = _labels(individuals, demands.costs), name_codes(individuals.trip)
    for limit in demands.limits:
        own = (
            demands.costs.excluded[labels]
            if limit.kind == "pooled miss"
            else labels == demands.costs.classes.index(limit.code)
        )
        rejecting = limit.kind == "false rejection"
        find, scores = (rejection_floor, scored.to_reject) if rejecting else (miss_cap, scored.to_pass)
        cap = find(scores[own], trips[own], limit=limit.rate, delta=limit.delta, mode=demands.mode, seed=demands.seed)
        yield limit, cap


def _choose(fish: Weighed, bounds: _Bounds, capacity: Capacity | None) -> tuple[Choice, Hold]:
    """The cheapest cutoffs within the bounds and, where the bounds leave room for it, within the capacity."""
    to_pass, to_reject = fish.scored.to_pass, fish.scored.to_reject
    free = search_cutoffs(to_pass, to_reject, fish.costs, **bounds)
    least = least_held(to_pass, to_reject, fish.weights, **bounds)
    if capacity is None:
        return free, Hold(held_share(to_pass, to_reject, fish.weights, free), least)

    def within(most_held: float) -> Choice | None:
        return search_within_capacity(to_pass, to_reject, fish.costs, fish.weights, most_held=most_held, **bounds)

    chosen, roomier = within(capacity.most_held), within(capacity.most_held + 1 / capacity.presentations_per_hour)
    if chosen is None or roomier is None:
        return free, Hold(held_share(to_pass, to_reject, fish.weights, free), least, met=False)
    return chosen, Hold(
        share=held_share(to_pass, to_reject, fish.weights, chosen),
        least=least,
        met=True,
        price=chosen.cost - free.cost,
        next_fish=chosen.cost - roomier.cost,
    )
