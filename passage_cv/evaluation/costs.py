"""What the cutoffs cost per presentation at the site's shares, and how that changes when one of them moves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.judging import Judged, label_codes
from passage_cv.records import Action
from passage_cv.scores import Floats

CURVE_POINTS = 400


@dataclass(frozen=True, slots=True)
class CostCurve:
    """Expected cost per presentation while one cutoff moves and the other stays."""

    cutoffs: Floats
    moving_u: Floats
    moving_v: Floats


@dataclass(frozen=True, slots=True)
class _Columns:
    """Weight and cost of each action per individual; fish of no class of the policy weigh nothing."""

    weights: Floats
    on_pass: Floats
    on_hold: Floats
    on_reject: Floats


def mean_cost(judged: Judged, cutoffs: Cutoffs) -> float:
    """Mean cost per presentation of the actions taken, classes at the site's shares."""
    columns = _columns(judged, cutoffs)
    taken = [judged.took(Action.PASS), judged.took(Action.REJECT)]
    return float(columns.weights @ np.select(taken, [columns.on_pass, columns.on_reject], columns.on_hold))


def held_share(judged: Judged, cutoffs: Cutoffs) -> float:
    """Share of presentations held, classes at the site's shares."""
    return float(_columns(judged, cutoffs).weights @ judged.took(Action.HOLD))


def cost_curve(cut: Judged, cutoffs: Cutoffs) -> CostCurve:
    """Expected cost on the ``cut`` individuals against each cutoff, the other one fixed."""
    finite = cut.scored.score[np.isfinite(cut.scored.score)]
    if not len(finite):
        return CostCurve(np.empty(0), np.empty(0), np.empty(0))
    grid = np.linspace(finite.min() - 0.5, finite.max() + 0.5, CURVE_POINTS)
    u = -math.inf if cutoffs.u is None else cutoffs.u
    v = math.inf if cutoffs.v is None else cutoffs.v
    columns = _columns(cut, cutoffs)
    hold_all = float(columns.weights @ columns.on_hold)
    passing = _GainBelow(cut.scored.to_pass, columns.weights * (columns.on_pass - columns.on_hold))
    rejecting = _GainBelow(-cut.scored.to_reject, columns.weights * (columns.on_reject - columns.on_hold))
    return CostCurve(
        cutoffs=grid,
        moving_u=hold_all + passing(grid) + rejecting(-np.maximum(v, grid)),
        moving_v=hold_all + passing(np.minimum(u, grid)) + rejecting(-grid),
    )


def _columns(judged: Judged, cutoffs: Cutoffs) -> _Columns:
    costs, labelled = cutoffs.class_costs, label_codes(judged.individuals, cutoffs)
    codes, known = labelled.codes, labelled.codes >= 0
    counts = np.maximum(np.bincount(codes[known], minlength=len(cutoffs.classes)), 1)
    weights = np.where(known, costs.shares[codes] / counts[codes], 0.0)
    error, hold = costs.error[codes], costs.hold[codes]
    return _Columns(
        weights / max(float(weights.sum()), 1e-300), error * labelled.excluded, hold, error * labelled.wanted
    )


class _GainBelow:
    """Step function: the summed gains of all scores strictly below a place."""

    def __init__(self, scores: Floats, gains: Floats) -> None:
        order = np.argsort(scores)
        self._scores, self._sums = scores[order], np.append(0.0, np.cumsum(gains[order]))

    def __call__(self, places: Floats) -> Floats:
        return np.asarray(self._sums[np.searchsorted(self._scores, places, side="left")])
