"""What other demands would come to, on out-of-fold ``train`` fish: limits, costs, shares and hold capacity moved.

Comes in: scores and a policy. Goes out: tables for a spreadsheet. Nothing here reads a score of ``cut`` or ``test``,
so trying things is free; and nothing here sets a cutoff.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from passage_cv.decision.calibrate import CUT_SHARE, model_calibration
from passage_cv.decision.calibration import ModelCalibration
from passage_cv.decision.combine import Individuals, combine_views
from passage_cv.decision.demands import (
    POOLED,
    Capacity,
    Demands,
    Limit,
    demands_of,
    with_error_cost,
    with_excluded_share,
    with_hold_cost,
    with_limit,
)
from passage_cv.decision.guarantee import fish_needed
from passage_cv.decision.outcome import class_actions, weigh, weigh_fish
from passage_cv.decision.refusals import UNKNOWN, require_classes, require_floor_fits, require_trips
from passage_cv.decision.unknown import unknown_rule
from passage_cv.errors import InputError
from passage_cv.policy import Policy
from passage_cv.progress import Progress, silent, tracked
from passage_cv.scores import Floats, Scores

FACTORS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
"""How far costs and limits are moved: an order of magnitude to either side."""
EXCLUDED_SHARES = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3)
"""From a rare stray to the end of a season in which one fish in three is excluded."""
CAPACITIES = (0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0)
"""Share of presentations that the crew can clear."""

Row = dict[str, object]


@dataclass(frozen=True, slots=True)
class Trial:
    """``train`` fish with all that is fixed while demands move; ``in_cut`` counts fish (or trips) per class."""

    individuals: Individuals
    calibration: ModelCalibration
    in_cut: Mapping[str, int]
    cut_share: float


def trial_of(scores: Scores, policy: Policy) -> tuple[Trial, Demands]:
    """The ``train`` fish of a scores file, and the policy's demands to start from.

    Raises
    ------
    InputError
        If the classes differ, or no fish has role ``train``.
    """
    classes = require_classes(scores, policy)
    require_floor_fits(scores, policy)
    train = combine_views(scores.with_role("train"), policy.views) if (scores.role == "train").any() else None
    known = None if train is None else train.where(train.label != UNKNOWN)
    if train is None or known is None or not len(known):
        raise InputError(
            "No individual has role train, and only those may be tried on",
            where=scores.source,
            do="Score with a run of ours, or add out-of-fold scores of the training fish with role train.",
        )
    require_trips(known, policy)
    demands = demands_of(policy, classes, unknown=unknown_rule(train, scores, policy)[0])
    calibration, _ = model_calibration(train, scores)
    cut_share = float(scores.meta.get("cut_share", CUT_SHARE))
    return Trial(known, calibration, count_in_cut(scores, demands), cut_share), demands


def count_in_cut(scores: Scores, demands: Demands) -> dict[str, int]:
    """Individuals of role ``cut`` per class, trips in the trip modes; only labels are looked at."""
    cut, unit = scores.with_role("cut"), "individual" if demands.mode == "fish" else "trip"
    costs = demands.costs
    counts = {name: len(np.unique(cut.text[unit][cut.label == name])) for name in costs.classes}
    excluded = [name for name, is_excluded in zip(costs.classes, costs.excluded, strict=True) if is_excluded]
    return {**counts, POOLED: len(np.unique(cut.text[unit][np.isin(cut.label, excluded)]))}


def sweep_tables(trial: Trial, demands: Demands, progress: Progress = silent) -> dict[str, list[Row]]:
    """A table per thing that is moved, one thing at a time; each row says what it would come to."""
    costs = demands.costs
    moved: dict[str, list[Callable[[], Iterable[Row]]]] = {
        "limits": [partial(_limit_rows, trial, demands, limit) for limit in demands.limits],
        "costs": [
            partial(_cost_rows, trial, demands, code, cost)
            for code, cost in zip(costs.classes, costs.error.tolist(), strict=True)
        ],
        "hold-cost": [partial(_hold_cost_rows, trial, demands)],
        "shares": [partial(_share_rows, trial, demands)],
        "capacity": [partial(_capacity_rows, trial, demands)],
    }
    steps = [(name, rows) for name, makers in moved.items() for rows in makers]
    tables: dict[str, list[Row]] = {name: [] for name in moved}
    for name, rows in tracked(steps, "Moving limits, costs and shares", progress):
        tables[name].extend(rows())
    return tables


def needed_rows(trial: Trial, demands: Demands) -> list[Row]:
    """For each limit: fish (or trips) needed, in ``cut`` now, missing there, and to image for that."""
    rows = []
    for limit in demands.limits:
        needed, have = fish_needed(limit.rate, limit.delta, demands.mode), trial.in_cut[limit.code]
        missing = max(0, needed - have)
        rows.append(
            {
                "class": limit.code,
                "kind": limit.kind,
                "limit": limit.rate,
                "needed_in_cut": needed,
                "in_cut": have,
                "missing_in_cut": missing,
                "to_image": math.ceil(missing / trial.cut_share),
            }
        )
    return rows


def _limit_rows(trial: Trial, demands: Demands, limit: Limit) -> Iterator[Row]:
    for rate in (rate for rate in _scaled(limit.rate) if rate < 1):
        moved = with_limit(demands, limit, rate)
        row = _row(trial, moved, moved=f"{limit.code}, {limit.kind}", value=rate)
        own = next(
            one for one in needed_rows(trial, moved) if (one["class"], one["kind"]) == (limit.code, limit.kind)
        )
        yield {**row, **{key: own[key] for key in ("needed_in_cut", "in_cut", "missing_in_cut", "to_image")}}


def _cost_rows(trial: Trial, demands: Demands, code: str, cost: float) -> Iterator[Row]:
    for value in _scaled(cost):
        yield _row(trial, with_error_cost(demands, code, value), moved=code, value=value)


def _hold_cost_rows(trial: Trial, demands: Demands) -> Iterator[Row]:
    for factor in FACTORS:
        yield _row(trial, with_hold_cost(demands, factor), moved="all hold costs times", value=factor)


def _share_rows(trial: Trial, demands: Demands) -> Iterator[Row]:
    for share in EXCLUDED_SHARES:
        yield _row(trial, with_excluded_share(demands, share), moved="expected share excluded", value=share)


def _capacity_rows(trial: Trial, demands: Demands) -> Iterator[Row]:
    for share in CAPACITIES:
        capped = replace(demands, capacity=Capacity(1.0, share))
        yield _row(trial, capped, moved="share that can be held", value=share)


def _row(trial: Trial, demands: Demands, *, moved: str, value: float) -> Row:
    outcome = weigh(trial.individuals, trial.calibration, demands)
    fish = weigh_fish(trial.individuals, trial.calibration, demands)
    shares = class_actions(trial.individuals, fish, demands.costs, outcome.choice)
    excluded = demands.costs.excluded
    return {
        "moved": moved,
        "value": value,
        "pass_below": _finite(outcome.choice.u),
        "reject_above": _finite(outcome.choice.v),
        "expected_cost": outcome.choice.cost,
        "cost_without_limits": outcome.without_limits,
        "cost_holding_all": outcome.hold_all,
        "held": outcome.hold.share,
        "least_held": outcome.hold.least,
        "capacity_met": outcome.hold.met,
        "excluded_passed": _mean(shares[excluded, 0], demands.costs.shares[excluded]),
        "wanted_rejected": _mean(shares[~excluded, 2], demands.costs.shares[~excluded]),
    }


def _scaled(value: float) -> list[float]:
    """A value times each factor, as a person would write it."""
    return [float(f"{value * factor:.10g}") for factor in FACTORS]


def _mean(shares: Floats, weights: Floats) -> float | None:
    """Mean over the classes that were met, at the site's shares."""
    met = ~np.isnan(shares)
    return float(np.average(shares[met], weights=weights[met])) if met.any() else None


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
