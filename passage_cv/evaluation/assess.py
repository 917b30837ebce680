"""Assemble everything the report says from scores and cutoffs; draws nothing and writes nothing.

Role ``test`` gives the miss rates, role ``cut`` the cost curve it was set on. ``test`` never changes a cutoff.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from passage_cv.decision.calibration import ModelCalibration
from passage_cv.decision.combine import Individuals, combine_views
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.guarantee import miss_cap
from passage_cv.decision.refusals import UNKNOWN
from passage_cv.decision.rule import Scored, choose_actions, score_with
from passage_cv.errors import InputError
from passage_cv.evaluation.misses import ClassCount, confusion_table, count_actions
from passage_cv.policy import Group
from passage_cv.records import Action
from passage_cv.scores import Floats, Scores
from passage_cv.stats.binomial import exact_interval

CURVE_POINTS = 400


@dataclass(frozen=True, slots=True)
class Judged:
    """Individuals of one role with their gate scores and the actions the gate would take."""

    individuals: Individuals
    scored: Scored
    actions: npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Case:
    """One individual worth looking at."""

    individual: str
    label: str
    named: str
    action: str
    score: float
    trip: str
    image_sha256: str


@dataclass(frozen=True, slots=True)
class CostCurve:
    """Expected cost per presentation on ``cut`` fish while one cutoff moves and the other stays."""

    cutoffs: Floats
    moving_u: Floats
    moving_v: Floats


@dataclass(frozen=True, slots=True)
class TripLine:
    """Excluded fish of one trip against the cap found without that trip."""

    trip: str
    shown: int
    missed: int

    @property
    def interval(self) -> tuple[float, float]:
        """Exact two-sided 95 % interval of the share missed."""
        return exact_interval(self.missed, self.shown)


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything the report says; ``checked`` is False where no individual has role ``test``."""

    cutoffs: Cutoffs
    checked: bool
    judged: Judged
    cut: Judged
    counts: tuple[ClassCount, ...]
    confusion: npt.NDArray[np.intp]
    worst: tuple[Case, ...]
    curve: CostCurve
    left_out: tuple[TripLine, ...]

    @property
    def accuracy(self) -> float | None:
        """Share of individuals whose first-named class is right; None without class scores or fish."""
        total = int(self.confusion.sum())
        return float(np.trace(self.confusion)) / total if total else None

    @property
    def cost(self) -> float:
        """Mean cost per presentation on the judged individuals, at the site's shares."""
        return _mean_cost(self.judged, self.cutoffs)


def assess(scores: Scores, cutoffs: Cutoffs, *, worst: int = 12, confidence: float = 0.95) -> Assessment:
    """Judge the ``test`` individuals with fixed cutoffs (the ``cut`` ones, as unchecked, where there is no test).

    Raises
    ------
    InputError
        If the scores are not those of the cutoffs' model, or neither role has an individual.
    """
    _require_same_model(scores, cutoffs)
    individuals = combine_views(scores, cutoffs.views)
    cut, test = (judge(individuals.with_role(role), cutoffs) for role in ("cut", "test"))
    checked = len(test.individuals) > 0
    judged = test if checked else cut
    if not len(judged.individuals):
        raise InputError("No individual has role test or cut", where=scores.source, do="Score those roles.")
    return Assessment(
        cutoffs=cutoffs,
        checked=checked,
        judged=judged,
        cut=cut,
        counts=count_actions(judged.individuals, judged.actions, _by_group(cutoffs), confidence=confidence),
        confusion=_confusion(judged.individuals, cutoffs),
        worst=worst_cases(judged, cutoffs, worst),
        curve=cost_curve(cut, cutoffs),
        left_out=leave_one_trip_out(cut, cutoffs),
    )


def judge(individuals: Individuals, cutoffs: Cutoffs) -> Judged:
    """Score individuals and choose their actions as the gate would."""
    scored = score_with(individuals, cutoffs)
    return Judged(individuals, scored, choose_actions(scored, cutoffs))


def named_classes(individuals: Individuals, cutoffs: Cutoffs) -> list[str]:
    """The class with the highest calibrated probability of each individual, at equal shares."""
    if individuals.is_gate_score:
        return [""] * len(individuals)
    calibration = ModelCalibration(beta=cutoffs.beta, rho=cutoffs.rho, offsets=cutoffs.offsets)
    best = calibration.log_probs(individuals).argmax(axis=1)
    return [cutoffs.classes[i] for i in best]


def worst_cases(judged: Judged, cutoffs: Cutoffs, most: int) -> tuple[Case, ...]:
    """Misses first (lowest score first), then false rejections, then the excluded fish nearest to being missed."""
    individuals, score = judged.individuals, judged.scored.score
    excluded = np.array([cutoffs.groups.get(str(label)) == "exclude" for label in individuals.label], dtype=bool)
    known = individuals.label != UNKNOWN
    missed = excluded & (judged.actions == Action.PASS)
    refused = known & ~excluded & (judged.actions == Action.REJECT)
    rank = np.where(missed, 0, np.where(refused, 1, np.where(excluded, 2, 3)))
    order = np.lexsort((np.where(refused, -score, score), rank))
    named = named_classes(individuals, cutoffs)
    return tuple(_case(judged, named, int(i)) for i in order[:most] if rank[i] < 3 and not math.isnan(score[i]))


def cost_curve(cut: Judged, cutoffs: Cutoffs) -> CostCurve:
    """Expected cost on the ``cut`` individuals against each cutoff, the other one fixed."""
    finite = cut.scored.score[np.isfinite(cut.scored.score)]
    if not len(finite):
        return CostCurve(np.empty(0), np.empty(0), np.empty(0))
    grid = np.linspace(finite.min() - 0.5, finite.max() + 0.5, CURVE_POINTS)
    u = -math.inf if cutoffs.u is None else cutoffs.u
    v = math.inf if cutoffs.v is None else cutoffs.v
    weights, on_pass, on_hold, on_reject = _cost_columns(cut, cutoffs)
    hold_all = float(weights @ on_hold)
    passing = _gain_below(cut.scored.to_pass, weights * (on_pass - on_hold))
    rejecting = _gain_below(-cut.scored.to_reject, weights * (on_reject - on_hold))
    return CostCurve(
        cutoffs=grid,
        moving_u=hold_all + passing(grid) + rejecting(-np.maximum(v, grid)),
        moving_v=hold_all + passing(np.minimum(u, grid)) + rejecting(-grid),
    )


def leave_one_trip_out(cut: Judged, cutoffs: Cutoffs) -> tuple[TripLine, ...]:
    """Would the cap have held on a trip it was not set on? Excluded fish with a miss limit, trip by trip."""
    limits = {limit.class_: limit for limit in cutoffs.limits if limit.kind == "miss"}
    limited = np.isin(cut.individuals.label, list(limits))
    trips, labels, scores = (
        column[limited] for column in (cut.individuals.trip, cut.individuals.label, cut.scored.to_pass)
    )
    lines = []
    for trip in np.unique(trips[trips != ""]):
        rest = trips != trip
        caps = [
            miss_cap(scores[rest & (labels == name)], limit=limit.limit, delta=cutoffs.delta_miss).cutoff
            for name, limit in limits.items()
        ]
        missed = int((scores[~rest] < min(caps)).sum())
        lines.append(TripLine(trip=str(trip), shown=int((~rest).sum()), missed=missed))
    return tuple(lines)


def _by_group(cutoffs: Cutoffs) -> dict[str, Group]:
    """Classes in the order people ask for them: excluded, protected, the others; then the model's order."""
    order: tuple[Group, ...] = ("exclude", "protected", "pass")
    classes = sorted(cutoffs.classes, key=lambda name: order.index(cutoffs.groups[name]))
    return {name: cutoffs.groups[name] for name in classes}


def _require_same_model(scores: Scores, cutoffs: Cutoffs) -> None:
    model = str(scores.meta.get("model_sha256", ""))
    if model and cutoffs.model and model != cutoffs.model:
        raise InputError(
            f"Scores come from model {model[:8]}, the cutoffs were set for {cutoffs.model[:8]}",
            where=scores.source,
            do="Score with the cutoffs' model, or run calibrate on these scores.",
        )


def _confusion(individuals: Individuals, cutoffs: Cutoffs) -> npt.NDArray[np.intp]:
    if individuals.is_gate_score:
        return np.zeros((0, 0), dtype=np.intp)
    true = [str(label) for label in individuals.label]
    return confusion_table(true, named_classes(individuals, cutoffs), cutoffs.classes)


def _case(judged: Judged, named: list[str], i: int) -> Case:
    text = judged.individuals.text
    return Case(
        individual=str(text["individual"][i]),
        label=str(text["class"][i]),
        named=named[i],
        action=str(judged.actions[i]),
        score=float(judged.scored.score[i]),
        trip=str(text["trip"][i]),
        image_sha256=str(text["image_sha256"][i]),
    )


def _cost_columns(judged: Judged, cutoffs: Cutoffs) -> tuple[Floats, Floats, Floats, Floats]:
    """(weight, cost of pass, of hold, of reject) per individual; unknown fish weigh nothing."""
    costs = cutoffs.class_costs
    place = {name: i for i, name in enumerate(cutoffs.classes)}
    labels = np.array([place.get(str(label), -1) for label in judged.individuals.label], dtype=np.intp)
    known = labels >= 0
    counts = np.maximum(np.bincount(labels[known], minlength=len(cutoffs.classes)), 1)
    weights = np.where(known, costs.shares[labels] / counts[labels], 0.0)
    excluded = costs.excluded[labels]
    error, hold = costs.error[labels], costs.hold[labels]
    return weights / max(weights.sum(), 1e-300), error * excluded, hold, error * ~excluded


def _mean_cost(judged: Judged, cutoffs: Cutoffs) -> float:
    weights, on_pass, on_hold, on_reject = _cost_columns(judged, cutoffs)
    chosen = np.select(
        [judged.actions == Action.PASS, judged.actions == Action.REJECT], [on_pass, on_reject], on_hold
    )
    return float(weights @ chosen)


class _gain_below:
    """Step function: the summed gains of all scores strictly below a place."""

    def __init__(self, scores: Floats, gains: Floats) -> None:
        order = np.argsort(scores)
        self._scores, self._sums = scores[order], np.append(0.0, np.cumsum(gains[order]))

    def __call__(self, places: Floats) -> Floats:
        return np.asarray(self._sums[np.searchsorted(self._scores, places, side="left")])
