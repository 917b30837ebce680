"""Scores of unfamiliarity, and the comparison that picks one."""

from functools import partial

import numpy as np
import pytest
from scipy.stats import zmap
from sklearn.metrics import roc_auc_score

from passage_cv.recognition.head_settings import DiscriminantGrid
from passage_cv.recognition.heads import Examples
from passage_cv.recognition.unfamiliarity import (
    DEFAULT,
    DIRECTION,
    NAMES,
    RELATIVE,
    _learn,
    _scores_without,
    judge_score,
    leave_one_class_out,
    mean_of_draws,
    rank_scores,
)
from tests.recognition.test_heads import draw

POINT = DiscriminantGrid(kind="discriminant", shrinkages=(0.3,), priors=(1,))


def test_judging_agrees_with_scikit_learn() -> None:
    rng = np.random.default_rng(0)
    known, strange = rng.normal(0, 1, 200).round(1), rng.normal(1, 1, 50).round(1)  # rounded: with ties
    found = judge_score(known, strange)
    expected = roc_auc_score(np.repeat([0, 1], [200, 50]), np.concatenate([known, strange]))
    assert found.auroc == pytest.approx(expected, rel=1e-12)
    cutoff = np.sort(known)[-21]
    assert (known > cutoff).mean() <= 0.1
    assert found.held == (strange > cutoff).mean()


def test_a_class_far_from_all_others_is_held_by_its_distance() -> None:
    examples = draw((30, 30, 30), n_features=20, gap=4.0)
    features = examples.features.copy()
    features[examples.label == 2] += 30.0
    far = Examples(features, examples.label, examples.individual, 3)
    found = leave_one_class_out(far, far.individual, POINT, n_folds=5, seed=0)
    assert set(found) == set(NAMES)
    assert found["nearest class mean"][2].held == 1.0
    assert found["nearest class mean"][2].auroc == 1.0


def test_scores_without_information_hold_about_the_load() -> None:
    rng = np.random.default_rng(1)
    noise = Examples(rng.normal(0, 1, (600, 5)), np.repeat([0, 1, 2], 200), np.arange(600), 3)
    found = leave_one_class_out(noise, noise.individual, POINT, n_folds=5, seed=0)
    for name, auroc, held in rank_scores(found):
        assert 0.4 < auroc < 0.6, name
        assert 0.03 < held < 0.2, name


def test_the_default_joins_direction_and_relative_distance_as_they_lie_over_known_fish() -> None:
    """Against the same sum done with SciPy's z-scores for one left-out class and the two scores it is made of."""
    examples = draw((40, 40, 40, 40), n_features=12, gap=2.0)
    known, strange = _scores_without(examples, examples.individual, 3, partial(_learn, point=POINT, scale=1.0), 4, 0)
    for of_fish in (known, strange):
        expected = (2 * zmap(of_fish[DIRECTION], known[DIRECTION]) + zmap(of_fish[RELATIVE], known[RELATIVE])) / 3
        np.testing.assert_allclose(of_fish[DEFAULT], expected, rtol=1e-9, atol=1e-12)


def test_draws_count_alike() -> None:
    examples = draw((20, 20, 20), n_features=8, gap=2.0)
    one, two = (leave_one_class_out(examples, examples.individual, POINT, n_folds=4, seed=seed) for seed in (0, 1))
    for name, of_class in mean_of_draws([one, two]).items():
        for left_out, found in of_class.items():
            assert found.held == pytest.approx((one[name][left_out].held + two[name][left_out].held) / 2)
            assert found.auroc == pytest.approx((one[name][left_out].auroc + two[name][left_out].auroc) / 2)
