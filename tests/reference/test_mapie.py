"""Our cap against a risk-controlling library: fixed-sequence testing on a dense grid of cutoffs (MAPIE).

Its p-value is the same binomial tail, but of ``ceil(n * rate)`` misses in floating point, which may be one miss too
many; where n is a power of two that product is exact and both must agree to the score.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from mapie.risk_control import BinaryClassificationController

from passage_cv.decision.guarantee import miss_cap

CLAIMS = [(0.05, 0.95), (0.1, 0.9), (0.02, 0.95), (0.05, 0.975)]


def library_cap(scores: np.ndarray, limit: float, confidence: float) -> float:
    """The largest score that may be the threshold of "excluded" while recall stays above 1 - limit."""
    controller = BinaryClassificationController(
        lambda rows: np.column_stack([1 - rows[:, 0], rows[:, 0]]),
        risk="recall",
        target_level=1 - limit,
        confidence_level=confidence,
        list_predict_params=np.unique(scores),
        fwer_method="fixed_sequence",
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns where no threshold can be shown
        controller.calibrate(scores[:, None], np.ones(len(scores), dtype=int))
    valid = np.asarray(controller.valid_predict_params)
    return float(valid.max()) if valid.size else -math.inf


def draw(seed: int, n: int) -> np.ndarray:
    scores = np.random.default_rng(seed).beta(6, 2, n)
    return np.round(scores, 2) if seed % 2 else scores  # every second sample has ties


@pytest.mark.parametrize("n", [64, 128, 256, 512, 1024])
@pytest.mark.parametrize(("limit", "confidence"), CLAIMS)
def test_caps_agree_where_the_library_counts_exactly(n: int, limit: float, confidence: float) -> None:
    for seed in range(4):
        scores = draw(seed, n)
        ours = miss_cap(scores, limit=limit, delta=1 - confidence).cutoff
        assert ours == library_cap(scores, limit, confidence)


@pytest.mark.parametrize(("limit", "confidence"), CLAIMS)
def test_elsewhere_the_library_allows_the_same_or_one_miss_fewer(limit: float, confidence: float) -> None:
    for seed in range(12):
        scores = draw(2 * seed, int(np.random.default_rng(seed).integers(60, 900)))  # no ties: a rank is a score
        ours = miss_cap(scores, limit=limit, delta=1 - confidence)
        theirs = library_cap(scores, limit, confidence)
        allowed = int((scores < theirs).sum()) + 1 if math.isfinite(theirs) else 0
        assert ours.rank - 1 <= allowed <= ours.rank
