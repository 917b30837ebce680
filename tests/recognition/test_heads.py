"""Heads on frozen features: against scikit-learn, and what must not change them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from passage_cv.recognition.head_settings import DiscriminantGrid, LogisticGrid
from passage_cv.recognition.heads import ABSENT_GAP, Examples, fit_discriminants, fit_heads, mean_of_images

PLAIN = DiscriminantGrid(kind="discriminant", shrinkages=(0.3,), priors=(0,))
BOTH = (
    DiscriminantGrid(kind="discriminant", shrinkages=(0.1,), priors=(2,)),
    LogisticGrid(kind="logistic", strengths=(0.1,)),
)


def draw(per_class: tuple[int, ...], *, n_features: int = 12, seed: int = 0, gap: float = 2.0) -> Examples:
    """One image per individual, Gaussian classes along different axes."""
    rng = np.random.default_rng(seed)
    label = np.repeat(np.arange(len(per_class)), per_class)
    features = rng.normal(0, 1, (len(label), n_features))
    features[np.arange(len(label)), label] += gap
    return Examples(features, label, np.arange(len(label)), len(per_class))


def test_the_discriminant_is_that_of_scikit_learn() -> None:
    """Without prior and with classes of one size: the same weights up to scikit-learn's divisor n for n - K."""
    examples = draw((20, 20, 20))
    head = fit_discriminants(examples, PLAIN)[0]
    other = LinearDiscriminantAnalysis(solver="lsqr", shrinkage=0.3, priors=[1 / 3] * 3)
    other.fit(examples.features, examples.label)
    ratio = (60 - 3) / 60
    for a, b in ((0, 1), (1, 2)):
        np.testing.assert_allclose(
            head.weights[a] - head.weights[b], (other.coef_[a] - other.coef_[b]) * ratio, rtol=1e-9
        )
        np.testing.assert_allclose(
            head.bias[a] - head.bias[b], (other.intercept_[a] - other.intercept_[b]) * ratio, rtol=1e-9, atol=1e-9
        )


@pytest.mark.parametrize("grid", BOTH, ids=["discriminant", "logistic"])
def test_copies_of_an_individuals_images_change_nothing(grid: DiscriminantGrid | LogisticGrid) -> None:
    examples = draw((8, 6, 9))
    again = np.concatenate([np.arange(len(examples.label)), [3, 3, 3, 20, 20]])
    copied = Examples(examples.features[again], examples.label[again], examples.individual[again], 3)
    first, second = (fit_heads(one, grid)[0].logits(examples.features) for one in (examples, copied))
    np.testing.assert_allclose(
        first - first.mean(1, keepdims=True), second - second.mean(1, keepdims=True), atol=2e-3
    )


@pytest.mark.parametrize("grid", BOTH, ids=["discriminant", "logistic"])
def test_units_of_a_feature_do_not_matter(grid: DiscriminantGrid | LogisticGrid) -> None:
    examples = draw((8, 6, 9))
    scaled = Examples(examples.features * 1e3 + 7, examples.label, examples.individual, 3)
    np.testing.assert_allclose(
        fit_heads(examples, grid)[0].logits(examples.features),
        fit_heads(scaled, grid)[0].logits(scaled.features),
        atol=1e-4,
    )


def test_a_class_of_few_is_named_as_readily_as_one_of_many() -> None:
    """Two like classes in 200 dimensions, 4 and 200 individuals: the plug-in rule hardly ever names the first."""
    rng = np.random.default_rng(3)
    n_features = 200

    def fish(label: np.ndarray) -> np.ndarray:
        features = rng.normal(0, 1, (len(label), n_features))
        features[:, 0] += np.where(label == 0, 3.0, -3.0)
        return features

    label = np.repeat([0, 1], [4, 200])
    examples = Examples(fish(label), label, np.arange(204), 2)
    grid = DiscriminantGrid(kind="discriminant", shrinkages=(0.5,), priors=(0,))
    head = fit_discriminants(examples, grid)[0]
    asked = np.repeat([0, 1], 2000)
    named = head.logits(fish(asked)).argmax(axis=1)
    recalls = [float((named[asked == one] == one).mean()) for one in (0, 1)]
    centres = mean_of_images(examples.features, label)
    distance = ((fish(asked)[:, None] - centres[None]) ** 2).sum(axis=2)
    assert (distance.argmin(axis=1)[asked == 0] == 0).mean() < 0.5  # the plug-in rule, for contrast
    assert min(recalls) > 0.7


def test_a_class_without_individuals_stands_below_all_others() -> None:
    examples = draw((8, 8))
    wider = Examples(examples.features, examples.label, examples.individual, 3)
    for grid in BOTH:
        logits = fit_heads(wider, grid)[0].logits(examples.features)
        np.testing.assert_allclose(logits[:, 2], logits[:, :2].min(axis=1) - ABSENT_GAP)


@settings(max_examples=20, deadline=None)
@given(st.permutations(range(23)))
def test_the_order_of_images_does_not_matter(order: list[int]) -> None:
    examples = draw((8, 6, 9))
    mixed = Examples(examples.features[order], examples.label[order], examples.individual[order], 3)
    head, other = (fit_heads(one, BOTH[0])[0] for one in (examples, mixed))
    np.testing.assert_allclose(head.logits(examples.features), other.logits(examples.features), rtol=1e-6, atol=1e-8)


def test_a_feature_that_never_varies_is_no_trouble() -> None:
    examples = draw((8, 8))
    flat = Examples(np.c_[examples.features, np.ones(16)], examples.label, examples.individual, 2)
    for grid in BOTH:
        assert np.isfinite(fit_heads(flat, grid)[0].logits(flat.features)).all()


def test_every_point_of_a_grid_gives_its_own_head() -> None:
    grid = DiscriminantGrid(kind="discriminant", shrinkages=(0.1, 0.5), priors=(0, 2, 4))
    examples = draw((8, 6, 9))
    heads = fit_heads(examples, grid)
    assert len(heads) == len(grid.points()) == 6
    for head, point in zip(heads, grid.points(), strict=True):
        np.testing.assert_array_equal(head.weights, fit_heads(examples, point)[0].weights)
