"""Out-of-fold prediction: nothing of a unit is on both sides, and what is reported is not leaked."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.recognition.crossval import cross_validate, cross_validate_plainly, individual_figures
from passage_cv.recognition.head_settings import DiscriminantGrid, LogisticGrid
from passage_cv.recognition.heads import Examples, fit_heads
from passage_cv.recognition.selection import assign_folds, balanced_log_loss, choose_head, folds_of_images
from tests.recognition.test_heads import draw

GRID = (DiscriminantGrid(kind="discriminant", shrinkages=(0.1, 0.5), priors=(0, 3)),)


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 4)), min_size=40, max_size=200), st.integers(2, 5))
def test_no_unit_is_split(rows: list[tuple[int, int]], n_folds: int) -> None:
    _, unit = np.unique([one for one, _ in rows], return_inverse=True)
    if unit.max() + 1 < n_folds:
        return
    fold = assign_folds(unit, np.array([label for _, label in rows]), n_folds=n_folds, seed=0)
    assert all(len(set(fold[unit == one])) == 1 for one in np.unique(unit))
    assert set(fold) == set(range(n_folds))


@given(st.integers(0, 50), st.lists(st.integers(1, 30), min_size=2, max_size=6))
def test_classes_are_spread_as_evenly_as_can_be(seed: int, per_class: list[int]) -> None:
    label = np.repeat(np.arange(len(per_class)), per_class)
    if len(label) < 5:
        return
    fold = assign_folds(np.arange(len(label)), label, n_folds=5, seed=seed)
    for one in range(len(per_class)):
        counts = np.bincount(fold[label == one], minlength=5)
        assert counts.max() - counts.min() <= 1


def test_too_few_units_are_refused() -> None:
    with pytest.raises(InputError, match="2 units cannot be dealt to 5 folds"):
        assign_folds(np.array([0, 1]), np.array([0, 1]), n_folds=5, seed=0)


def signed_individuals(n: int = 60, views: int = 4) -> Examples:
    """Every individual has a look of its own and a class drawn at random: there is nothing to learn but faces."""
    rng = np.random.default_rng(2)
    look = rng.normal(0, 1, (n, 40))
    individual = np.repeat(np.arange(n), views)
    features = look[individual] + rng.normal(0, 0.05, (n * views, 40))
    return Examples(features, rng.integers(0, 2, n)[individual], individual, 2)


def test_grouped_prediction_does_not_recognise_individuals() -> None:
    examples = signed_individuals()
    grouped = cross_validate(examples, examples.individual, GRID, n_folds=5, seed=0)
    leaky = cross_validate(examples, np.arange(len(examples.label)), GRID, n_folds=5, seed=0)
    assert 0.3 < individual_figures(grouped, examples).balanced_accuracy < 0.7
    assert individual_figures(leaky, examples).balanced_accuracy > 0.8
    plain = cross_validate_plainly(examples, examples.individual, n_folds=5, seed=0)
    assert 0.3 < individual_figures(plain, examples).balanced_accuracy < 0.7


def test_out_of_fold_logits_come_from_a_head_without_that_fold() -> None:
    examples = draw((15, 15, 15))
    chosen = choose_head(examples, examples.individual, GRID, n_folds=3, seed=4)
    fold = folds_of_images(examples, examples.individual, n_folds=3, seed=4)
    for one in range(3):
        learn = examples.where(fold != one)
        head = fit_heads(learn, chosen.best.settings)[0].scaled(chosen.best.scale)
        np.testing.assert_allclose(chosen.logits[fold == one], head.logits(examples.features[fold == one]), rtol=1e-9)


def test_the_candidate_of_least_loss_is_chosen_and_its_logits_are_log_odds() -> None:
    examples = draw((40, 40, 40), gap=1.0)
    chosen = choose_head(examples, examples.individual, GRID, n_folds=5, seed=0)
    assert chosen.best.loss == min(one.loss for one in chosen.tried)
    assert len(chosen.tried) == 4
    losses = [balanced_log_loss(chosen.logits, examples.label, scale) for scale in (0.8, 1.0, 1.25)]
    assert losses[1] == min(losses)  # the best temperature of the kept logits is 1


def test_a_class_in_one_fold_only_has_no_out_of_fold_logits() -> None:
    examples = draw((10, 10, 1))
    chosen = choose_head(examples, examples.individual, GRID, n_folds=5, seed=0)
    assert chosen.seen.tolist() == [True] * 20 + [False]
    assert np.isnan(chosen.logits[20]).all()
    assert np.isfinite(chosen.logits[:20]).all()
    assert chosen.head.present.all()


def test_views_seen_otherwise_are_learnt_from_but_not_predicted() -> None:
    examples = draw((10, 10))
    far = np.full_like(examples.features, 50.0)
    with_far = choose_head(examples, examples.individual, GRID, n_folds=5, seed=0, extra=[far])
    without = choose_head(examples, examples.individual, GRID, n_folds=5, seed=0)
    assert with_far.logits.shape == without.logits.shape
    assert not np.allclose(with_far.logits, without.logits)


def test_one_class_is_refused() -> None:
    with pytest.raises(InputError, match="1 class has a gate view in train, at least 2 are needed"):
        choose_head(draw((10,)), np.arange(10), GRID, n_folds=2, seed=0)


def test_a_head_for_many_individuals_is_tried_only_where_there_are_many() -> None:
    examples = draw((10, 10, 10))
    unit = examples.individual
    late = LogisticGrid(kind="logistic", strengths=(0.1,), from_individuals=len(set(unit.tolist())))
    kinds = {one.settings.kind for one in choose_head(examples, unit, [*GRID, late], n_folds=3, seed=0).tried}
    assert kinds == {"discriminant", "logistic"}
    later = late.model_copy(update={"from_individuals": late.from_individuals + 1})
    kinds = {one.settings.kind for one in choose_head(examples, unit, [*GRID, later], n_folds=3, seed=0).tried}
    assert kinds == {"discriminant"}
    with pytest.raises(InputError, match="individuals are too few for every head"):
        choose_head(examples, unit, [later], n_folds=3, seed=0)
