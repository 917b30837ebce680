"""Do the probabilities mean what they say? Predicted against observed share of excluded fish, before and after.

Comes in: judged individuals with class scores. Goes out: bins for a picture and the mean log loss. The costs are
weighed with these probabilities; the demonstrated limits hold even where they are wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from passage_cv.decision.calibration import ModelCalibration, log_loss
from passage_cv.decision.costs import site_log_probs
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.judging import Judged, calibration_of, label_codes
from passage_cv.scores import Floats
from passage_cv.stats.binomial import exact_interval

N_BINS = 10
LEAST_FISH = 20
"""Below so many fish a picture of reliability says nothing [ours]."""


@dataclass(frozen=True, slots=True)
class Bin:
    """Fish whose predicted probability of being excluded lies in one tenth of [0, 1]."""

    predicted: float
    fish: int
    excluded: int

    @property
    def interval(self) -> tuple[float, float]:
        """Exact two-sided 95 % interval of the share that is excluded."""
        return exact_interval(self.excluded, self.fish)


@dataclass(frozen=True, slots=True)
class Reliability:
    """Bins and mean log loss (nats per fish) without and with the model calibration, on ``fish`` individuals."""

    before: tuple[Bin, ...]
    after: tuple[Bin, ...]
    loss_before: float
    loss_after: float
    fish: int


def assess_reliability(judged: Judged, cutoffs: Cutoffs) -> Reliability | None:
    """Compare predicted with observed shares; None without class scores or with too few fish.

    Probabilities are moved from equal class shares to the shares of these very fish (decision-method 4), so that a
    bin's prediction can be set against a plain count.
    """
    if judged.individuals.is_gate_score:
        return None
    labelled = label_codes(judged.individuals, cutoffs)
    usable = (labelled.codes >= 0) & (judged.scored.held == "")
    if usable.sum() < LEAST_FISH:
        return None
    fish, codes = judged.individuals.where(usable), labelled.codes[usable]
    shares = np.maximum(np.bincount(codes, minlength=len(cutoffs.classes)) / len(codes), 1e-9)
    excluded = cutoffs.class_costs.excluded
    raw, fitted = (
        site_log_probs(calibration.log_probs(fish), shares)
        for calibration in (ModelCalibration(), calibration_of(cutoffs))
    )
    return Reliability(
        before=reliability_bins(np.exp(raw)[:, excluded].sum(axis=1), excluded[codes]),
        after=reliability_bins(np.exp(fitted)[:, excluded].sum(axis=1), excluded[codes]),
        loss_before=log_loss(raw, codes),
        loss_after=log_loss(fitted, codes),
        fish=len(codes),
    )


def reliability_bins(predicted: Floats, happened: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> tuple[Bin, ...]:
    """Tenths of [0, 1] that hold a fish: mean prediction, fish, and how many were excluded.

    Examples
    --------
    >>> bins = reliability_bins(np.array([0.01, 0.03, 0.95, 1.0]), np.array([False, False, True, True]))
    >>> [(round(one.predicted, 3), one.fish, one.excluded) for one in bins]
    [(0.02, 2, 0), (0.975, 2, 2)]
    """
    place = np.minimum((np.clip(predicted, 0, 1) * N_BINS).astype(np.intp), N_BINS - 1)
    counts = np.bincount(place, minlength=N_BINS)
    sums, hits = (np.bincount(place, weights=weight, minlength=N_BINS) for weight in (predicted, happened))
    return tuple(
        Bin(predicted=float(sums[i] / counts[i]), fish=int(counts[i]), excluded=int(hits[i]))
        for i in np.flatnonzero(counts)
    )
