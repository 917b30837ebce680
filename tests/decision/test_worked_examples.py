"""The worked examples of the decision method, to its digits.

Source of every expected number: decision-method section 13 (computed there with Python, SciPy and statsmodels);
Clopper & Pearson 1934 for the intervals, Chow 1970 for the two-cutoff rule.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from passage_cv.decision.calibration import fit_temperature, log_loss
from passage_cv.decision.combine import evidence
from passage_cv.decision.costs import ClassCosts, bayes_cutoffs, gate_scores
from passage_cv.decision.cutoffs import Costs, cost_at, search_cutoffs
from passage_cv.decision.guarantee import betting_evidence, miss_cap
from passage_cv.stats.binomial import allowed_rank, exact_interval, upper_limit

DIGITS = 5e-11  # the section prints ten decimals


@pytest.mark.parametrize(
    ("n", "limit", "rank"),
    [(59, 0.05, 1), (58, 0.05, 0), (299, 0.01, 1), (300, 0.05, 9), (1000, 0.01, 5), (3000, 0.01, 21), (93, 0.05, 2)],
)
def test_examples_1_and_2_ranks(n: int, limit: float, rank: int) -> None:
    assert allowed_rank(n, limit=limit, delta=0.05) == rank


def test_example_3_ties_pass_nothing() -> None:
    scores = np.repeat([0.00, 0.01, 0.02], [3, 4, 86])
    cap = miss_cap(scores, limit=0.05, delta=0.05)
    assert (cap.rank, cap.cutoff) == (2, 0.0)
    assert not (scores < cap.cutoff).any()
    assert upper_limit(3, 93, confidence=0.95) == pytest.approx(0.0812631631, abs=DIGITS)


def test_example_4_shared_cutoff_is_the_tightest() -> None:
    a, b = np.arange(1, 94) / 100, 0.005 + np.arange(1, 60) / 50
    caps = [miss_cap(s, limit=0.05, delta=0.05).cutoff for s in (a, b)]
    assert caps == pytest.approx([0.02, 0.025])
    few = miss_cap(np.zeros(40), limit=0.05, delta=0.05)
    assert few.cutoff == -math.inf
    assert few.missing == 19


def test_example_5_proportional_hold_costs() -> None:
    assert bayes_cutoffs(1 / 20, 1 / 5) == pytest.approx((-1.5581446180, 2.7725887222), abs=DIGITS)
    assert bayes_cutoffs(2 / 3, 2 / 3) == (0.0, 0.0)
    score = gate_scores(np.log([[0.02, 0.03, 0.70, 0.25]]), two_and_two())
    assert score[0] == pytest.approx(-1.6739764336, abs=DIGITS)


def test_example_6_one_score_for_two_different_fish() -> None:
    with np.errstate(divide="ignore"):
        log_probs = np.log([[0.03, 0, 0.97, 0], [0, 18 / 115, 0, 97 / 115]])
    assert gate_scores(log_probs, two_and_two()) == pytest.approx([-1.4611956693] * 2, abs=DIGITS)


@pytest.mark.parametrize(
    ("probabilities", "hold", "expected"),
    [
        ((0.02, 0.03, 0.70, 0.25), (1.5, 0.5, 0.8, 1.6), (0.9, 4.8, 1.005)),  # example 5: kA 0.05, kD 0.2
        ((0.03, 0, 0.97, 0), (1, 1, 1, 1), (0.9, 3.88, 1.0)),
        ((0, 18 / 115, 0, 97 / 115), (1, 1, 1, 1), (1.5652173913, 6.7478260870, 1.0)),
    ],
)
def test_examples_5_and_6_expected_costs(
    probabilities: tuple[float, ...], hold: tuple[float, ...], expected: tuple[float, float, float]
) -> None:
    """A population of one score and these shares: passed, rejected, held, and the action that the search takes."""
    shares, both = np.array(probabilities), two_and_two()
    costs = Costs(shares * both.error * both.excluded, shares * hold, shares * both.error * ~both.excluded)
    same = np.zeros(4)
    found = [cost_at(same, same, costs, u=u, v=v) for u, v in ((1, 1), (-1, -1), (-1, 1))]
    assert found == pytest.approx(expected, abs=DIGITS)
    assert search_cutoffs(same, same, costs).cost == pytest.approx(min(expected), abs=DIGITS)


def two_and_two() -> ClassCosts:
    """Costs c = (30, 10), r = (4, 8) at equal shares, whose constant drops out of the score."""
    return ClassCosts(
        classes=("a", "b", "c", "d"),
        excluded=np.array([True, True, False, False]),
        shares=np.full(4, 0.25),
        error=np.array([30.0, 10.0, 4.0, 8.0]),
        hold=np.ones(4),
    )


def test_example_7_temperature() -> None:
    logits = np.array([[4, 1, 0], [3, 2.5, 0], [0, 5, 1], [2, 3, 2.5], [1, 0, 6], [2.5, 0, 2]])
    labels = np.array([0, 0, 1, 0, 2, 2])
    beta = fit_temperature(logits, labels)
    assert beta == pytest.approx(0.90656862210, abs=DIGITS)
    assert 1 / beta == pytest.approx(1.10306045854, abs=DIGITS)
    assert loss_at(beta, logits, labels) == pytest.approx(0.54959633612, abs=DIGITS)
    assert loss_at(1.0, logits, labels) == pytest.approx(0.55142981794, abs=DIGITS)


def loss_at(beta: float, logits: np.ndarray, labels: np.ndarray) -> float:
    scaled = beta * logits
    return log_loss(scaled - np.log(np.exp(scaled).sum(axis=1, keepdims=True)), labels)


@pytest.mark.parametrize(
    ("rho", "expected"),
    [
        (1.0, (0.44320207, 0.39352089, 0.16327704)),
        (0.5, (0.48537402, 0.40609304, 0.10853293)),
        (0.0, (0.57142857, 0.4, 0.02857143)),
    ],
)
def test_example_10_three_views(rho: float, expected: tuple[float, ...]) -> None:
    probs = np.array([[0.6, 0.3, 0.1], [0.5, 0.2, 0.3], [0.2, 0.7, 0.1]])
    combined = np.exp(evidence(np.array([3]), rho) * np.log(probs).mean(axis=0))
    assert combined / combined.sum() == pytest.approx(expected, abs=5e-9)


EXCLUDED = np.array([1.2, 1.9, 2.5, 2.5, 3.4])
WANTED = np.array([-0.5, 0, 0.3, 0.8, 1.2, 1.9, 2.6])


@pytest.mark.parametrize(
    ("shift", "hold", "u_cap", "v_floor", "expected"),
    [
        (0, 1, math.inf, -math.inf, (1.2, 2.6, 0.54)),
        (0, 1, 0.3, -math.inf, (0.3, 2.6, 0.74)),
        (0, 1, -math.inf, -math.inf, (-math.inf, 2.6, 0.94)),
        (0, 3, math.inf, -math.inf, (1.2, 1.9, 1.46)),
        (0, 6, math.inf, -math.inf, (1.2, 1.2, 1.96)),
        (3, 6, 3.0, 0.5, (3.0, 3.0, 0.0)),
    ],
)
def test_example_11_cost_search(
    shift: float, hold: float, u_cap: float, v_floor: float, expected: tuple[float, float, float]
) -> None:
    scores = np.concatenate([EXCLUDED + shift, WANTED])
    excluded = np.arange(12) < 5
    weight = np.where(excluded, 0.3 / 5, 0.7 / 7)
    costs = Costs(weight * 20 * excluded, weight * hold, weight * 5 * ~excluded)
    choice = search_cutoffs(scores, scores, costs, u_cap=u_cap, v_floor=v_floor)
    assert (choice.u, choice.v) == expected[:2]
    assert choice.cost == pytest.approx(expected[2], abs=1e-12)
    assert cost_at(scores, scores, costs, u=choice.u, v=choice.v) == pytest.approx(choice.cost, abs=1e-12)


@pytest.mark.parametrize(
    ("misses", "n", "low", "high"),
    [
        (0, 59, 0.0, 0.0606089010),
        (0, 299, 0.0, 0.0122615959),
        (1, 93, 0.0002721974, 0.0584581645),
        (3, 250, 0.0024815583, 0.0346666146),
        (250, 250, 0.9853528114, 1.0),
    ],
)
def test_example_12_two_sided(misses: int, n: int, low: float, high: float) -> None:
    assert exact_interval(misses, n) == pytest.approx((low, high), abs=DIGITS)


@pytest.mark.parametrize(
    ("misses", "n", "high"), [(0, 59, 0.0495076099), (3, 250, 0.0307208641), (7, 1200, 0.0109287048)]
)
def test_example_12_one_sided(misses: int, n: int, high: float) -> None:
    assert upper_limit(misses, n, confidence=0.95) == pytest.approx(high, abs=DIGITS)


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        (np.zeros(61), 19.6131451888),
        (np.zeros(62), 20.5938024483),
        (np.array([0.0] * 90 + [1 / 25] * 8 + [3 / 25] * 2), 75.6090538855),
    ],
)
def test_example_14_trip_betting(shares: np.ndarray, expected: float) -> None:
    assert math.exp(betting_evidence(shares, 0.05)) == pytest.approx(expected, abs=DIGITS * 10)
