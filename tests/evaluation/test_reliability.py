"""Predicted against observed shares, before and after the model calibration, in worlds with known probabilities."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve

from passage_cv.decision.calibrate import calibrate
from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.reliability import Bin, reliability_bins
from passage_cv.scores import Scores
from tests.evaluation.small_world import small_cutoffs, small_scores
from tests.worlds import five_class_policy, five_class_scores


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=200))
def test_bins_are_those_of_scikit_learn(fish: list[tuple[float, bool]]) -> None:
    predicted, happened = (np.array(column) for column in zip(*fish, strict=True))
    on_edge = np.isclose(predicted * 10, np.round(predicted * 10))  # there the two count to different sides
    predicted, happened = predicted[~on_edge], happened[~on_edge].astype(bool)
    if len(predicted) == 0:
        return
    bins = reliability_bins(predicted, happened)
    observed, mean = calibration_curve(happened, predicted, n_bins=10, pos_label=True)
    assert [one.predicted for one in bins] == pytest.approx(mean.tolist())
    assert [one.excluded / one.fish for one in bins] == pytest.approx(observed.tolist())


@pytest.fixture(scope="module")
def overconfident() -> Scores:
    """Logits three times too large."""
    plain = five_class_scores(np.random.default_rng(6), per_class=400, separation=2.0)
    return replace(plain, values=3 * plain.values)


def misfit(bins: tuple[Bin, ...]) -> float:
    fish = sum(one.fish for one in bins)
    return sum(one.fish * abs(one.predicted - one.excluded / one.fish) for one in bins) / fish


def test_model_calibration_mends_an_overconfident_model(overconfident: Scores) -> None:
    found = assess(overconfident, calibrate(overconfident, five_class_policy())).reliability
    assert found is not None
    assert found.loss_after < 0.8 * found.loss_before
    assert misfit(found.after) < 0.5 * misfit(found.before)


def test_observed_shares_lie_in_the_intervals_of_honest_bins(overconfident: Scores) -> None:
    found = assess(overconfident, calibrate(overconfident, five_class_policy())).reliability
    assert found is not None
    inside = [one.interval[0] <= one.predicted <= one.interval[1] for one in found.after if one.fish >= 20]
    assert sum(inside) >= len(inside) - 1
    assert found.fish == sum(one.fish for one in found.after) == sum(one.fish for one in found.before)


def test_ready_gate_scores_have_no_probabilities() -> None:
    scores = small_scores()
    assert assess(scores, small_cutoffs(scores)).reliability is None


def test_few_fish_say_nothing(overconfident: Scores) -> None:
    cutoffs = calibrate(overconfident, five_class_policy())
    test_fish = np.unique(overconfident.individual[overconfident.role == "test"])[:10]
    few = overconfident.where(np.isin(overconfident.individual, test_fish))
    assert assess(few, cutoffs).reliability is None
