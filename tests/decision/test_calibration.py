"""Decision-method 12, properties 6 and 7: what the model calibration must do, whatever the logits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import log_softmax, softmax

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.calibration import (
    BETA_MAX,
    ModelCalibration,
    balanced_weights,
    class_index,
    every_fish_ranked_right,
    fit_calibration,
    fit_temperature,
    log_loss,
)
from passage_cv.decision.combine import Individuals, combine_views, evidence, mean_views
from passage_cv.errors import InputError, PassageWarning
from passage_cv.policy import Views
from tests.worlds import five_class_policy, five_class_scores

SEEDS = st.integers(0, 2**32 - 1)


def noisy(seed: int, n: int = 150, k: int = 4, strength: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    labels = np.append(np.arange(k), rng.integers(0, k, n - k))
    return strength * np.eye(k)[labels] + rng.normal(0, 1, (n, k)), labels


def individuals(logits: np.ndarray, labels: np.ndarray, n_views: np.ndarray | None = None) -> Individuals:
    n, k = logits.shape
    codes = tuple(f"C{i}" for i in range(k))
    return Individuals(
        classes=codes,
        is_gate_score=False,
        values=logits,
        n_views=np.ones(n, dtype=np.intp) if n_views is None else n_views,
        first_row=np.arange(n),
        text={"class": np.array([codes[label] for label in labels])},
        numbers={},
        hold_reason=np.full(n, ""),
    )


@given(SEEDS, st.floats(0.3, 2))  # more, and some samples have no wrong fish left
def test_beta_is_the_root_of_the_gradient(seed: int, strength: float) -> None:
    logits, labels = noisy(seed, strength=strength)
    beta = fit_temperature(logits, labels)
    probs = softmax(beta * logits, axis=1)
    gradient = ((probs * logits).sum(axis=1) - logits[np.arange(len(labels)), labels]).mean()
    assert abs(gradient) < 1e-9 or beta in (1e-3, BETA_MAX)
    losses = [log_loss(log_softmax(b * logits, axis=1), labels) for b in (beta * 0.98, beta, beta * 1.02)]
    assert losses[1] <= min(losses[0], losses[2]) + 1e-12


@given(SEEDS, st.floats(0.1, 8))
def test_scaled_logits_scale_beta_the_other_way(seed: int, scale: float) -> None:
    logits, labels = noisy(seed)
    assert fit_temperature(scale * logits, labels) == pytest.approx(fit_temperature(logits, labels) / scale, rel=1e-6)


@given(SEEDS, st.floats(0.01, 50))
def test_beta_never_changes_which_class_comes_first(seed: int, beta: float) -> None:
    logits, labels = noisy(seed)
    moved = ModelCalibration(beta=beta).log_probs(individuals(logits, labels))
    assert (moved.argmax(axis=1) == logits.argmax(axis=1)).all()


@pytest.mark.parametrize("seed", range(4))
def test_without_ridge_mean_probabilities_are_the_weighted_shares(seed: int) -> None:
    """First-order condition of the offsets: at balanced weights every class has the mean probability 1 / K."""
    logits, labels = noisy(seed, n=400)
    logits = logits + np.array([1.5, 0.0, -1.0, 0.3])  # a model that leans to some classes
    fish = individuals(logits, labels)
    found = fit_calibration(fish, ridge=0.0)
    means = balanced_weights(labels) @ np.exp(found.log_probs(fish))
    assert means == pytest.approx(np.full(4, 0.25), abs=1e-5)
    assert sum(found.offsets.values()) == pytest.approx(0, abs=1e-9)


def test_a_small_class_keeps_offset_zero() -> None:
    logits, labels = noisy(1, n=200, k=3)
    few = np.flatnonzero(labels == 2)[:5]
    keep = np.append(np.flatnonzero(labels != 2), few)
    found = fit_calibration(individuals(logits[keep] + np.array([0, 0, 2.0]), labels[keep]))
    assert "C2" not in found.offsets
    assert found.offsets["C0"] != 0


def test_perfect_ranking_is_clamped_with_a_warning() -> None:
    logits, labels = 9 * np.eye(3)[[0, 1, 2, 0]], np.array([0, 1, 2, 0])
    with pytest.warns(PassageWarning, match="clamped at 100"):
        assert fit_temperature(logits, labels) == BETA_MAX
    assert every_fish_ranked_right(individuals(logits, labels))
    assert not every_fish_ranked_right(individuals(logits, labels[::-1]))


def test_perfect_ranking_is_said_in_the_cutoffs_file() -> None:
    easy = five_class_scores(np.random.default_rng(4), separation=30.0)
    assert any("ranked right out of fold" in line for line in calibrate(easy, five_class_policy()).warnings)
    hard = five_class_scores(np.random.default_rng(4))
    assert not any("ranked right" in line for line in calibrate(hard, five_class_policy()).warnings)


def test_one_class_is_refused() -> None:
    with pytest.raises(InputError, match="needs fish of two classes, found 1"):
        fit_calibration(individuals(np.zeros((5, 3)), np.zeros(5, dtype=int)))


@given(st.lists(st.lists(st.floats(-20, 20), min_size=3, max_size=3), min_size=1, max_size=5))
def test_mean_logit_is_mean_log_probability_after_the_softmax(rows: list[list[float]]) -> None:
    views, one, start = np.array(rows), np.ones(len(rows)), np.array([0])
    from_logits = softmax(mean_views(views, one, start), axis=1)
    from_log_probs = softmax(mean_views(log_softmax(views, axis=1), one, start), axis=1)
    assert from_logits == pytest.approx(from_log_probs, rel=1e-9, abs=1e-12)


@given(st.integers(1, 12), st.floats(0, 1))
def test_views_are_worth_between_one_and_their_number(views: int, rho: float) -> None:
    worth = float(evidence(np.array([views]), rho)[0])
    assert 1 - 1e-12 <= worth <= views + 1e-12
    assert float(evidence(np.array([views]), 1.0)[0]) == 1
    assert float(evidence(np.array([views]), 0.0)[0]) == views


@pytest.mark.parametrize(("between", "expected"), [(0.05, 0.3), (3.0, 1.0)])
def test_rho_follows_how_alike_the_views_of_a_fish_are(between: float, expected: float) -> None:
    """Views that err independently are worth more than views that err alike."""
    rng = np.random.default_rng(2)
    labels = rng.integers(0, 3, 1500)
    n_views = rng.integers(1, 7, 1500)
    fish_error = rng.normal(0, between, (1500, 3))
    mean_error = rng.normal(0, 1, (1500, 3)) / np.sqrt(n_views)[:, None]
    logits = 1.0 * np.eye(3)[labels] + fish_error + mean_error
    rho = fit_calibration(individuals(logits, labels, n_views)).rho
    assert rho <= expected if between < 1 else rho >= 0.7


def test_other_roles_and_labels_do_not_enter() -> None:
    scores = five_class_scores(np.random.default_rng(4))
    train = combine_views(scores, Views()).with_role("train")
    odd = train.where(np.arange(len(train)) >= 0)
    labels = np.where(np.arange(len(odd)) % 50 == 0, "unknown", odd.label).astype(str)
    odd = Individuals(**{**{n: getattr(odd, n) for n in odd.__slots__}, "text": {**odd.text, "class": labels}})
    assert (class_index(odd)[::50] == -1).all()
    assert fit_calibration(odd) == fit_calibration(odd.where(labels != "unknown"))
