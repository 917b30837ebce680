"""Decision-method 12, properties 8 and 9: shares and costs against the definitions, on random probabilities."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.decision.costs import ClassCosts, bayes_cutoffs, class_costs, gate_scores, site_log_probs
from tests.worlds import CODES, five_class_policy

SEEDS = st.integers(0, 2**32 - 1)


def simplex(rng: np.random.Generator, n: int, k: int) -> np.ndarray:
    return rng.dirichlet(np.full(k, 0.4), n) * (1 - 1e-9) + 1e-9 / k


@given(SEEDS)
def test_equal_shares_change_nothing(seed: int) -> None:
    log_probs = np.log(simplex(np.random.default_rng(seed), 20, 5))
    assert site_log_probs(log_probs, np.full(5, 0.2)) == pytest.approx(log_probs, abs=1e-6)


@given(SEEDS)
def test_moving_shares_composes(seed: int) -> None:
    """From equal shares to b, then from b to c, is from equal shares to c."""
    rng = np.random.default_rng(seed)
    log_probs = np.log(simplex(rng, 20, 4))
    b, c = simplex(rng, 2, 4)
    there = site_log_probs(log_probs, b)
    on = site_log_probs(there, c / b / (c / b).sum())
    assert on == pytest.approx(site_log_probs(log_probs, c), abs=1e-6)


@given(SEEDS, st.floats(0.01, 0.6), st.floats(0.01, 0.6))
def test_two_cutoffs_are_the_cheapest_action_where_holds_are_in_proportion(seed: int, a: float, d: float) -> None:
    """Section 5: with h = kA c on excluded and kD r on wanted, the cheapest of A, H, D is two cutoffs on s."""
    rng = np.random.default_rng(seed)
    costs = ClassCosts(
        classes=("w", "x", "y", "z"),
        excluded=np.array([True, True, False, False]),
        shares=simplex(rng, 1, 4)[0],
        error=rng.uniform(1, 50, 4),
        hold=np.ones(4),
    )
    probs = simplex(rng, 200, 4)
    site = np.exp(site_log_probs(np.log(probs), costs.shares))
    passing = (site * costs.error * costs.excluded).sum(axis=1)
    rejecting = (site * costs.error * ~costs.excluded).sum(axis=1)
    holding = a * passing + d * rejecting
    u, v = bayes_cutoffs(a, d)
    score = gate_scores(np.log(probs), costs)
    chosen = np.where(score < u, 0, np.where(score > v, 2, 1))
    cost = np.stack([passing, holding, rejecting], axis=1)
    if a + d >= 1:  # holding never pays
        cost[:, 1] = np.inf
        chosen = np.where(score < u, 0, 2)
    taken = cost[np.arange(200), chosen]
    assert (taken <= cost.min(axis=1) * (1 + 1e-9) + 1e-15).all()


@given(SEEDS)
def test_a_higher_excluded_probability_never_lowers_the_score(seed: int) -> None:
    rng = np.random.default_rng(seed)
    costs = class_costs(five_class_policy(), CODES)
    probs = simplex(rng, 1, 5)
    more = probs.copy()
    more[0, 0] += rng.uniform(0, 1)
    assert gate_scores(np.log(more / more.sum()), costs)[0] >= gate_scores(np.log(probs), costs)[0] - 1e-9


@given(SEEDS, st.permutations(range(5)))
def test_class_order_changes_no_score(seed: int, order: list[int]) -> None:
    probs = simplex(np.random.default_rng(seed), 10, 5)
    turned = tuple(CODES[i] for i in order)
    plain = gate_scores(np.log(probs), class_costs(five_class_policy(), CODES))
    again = gate_scores(np.log(probs[:, order]), class_costs(five_class_policy(), turned))
    assert again == pytest.approx(plain, abs=1e-9)


def test_a_forecast_never_calls_an_excluded_class_impossible() -> None:
    rules = [rule.model_dump(exclude_none=True) for rule in five_class_policy().classes]
    shares = dict(zip(CODES, (0.0, 0.0, 0.5, 0.5, 0.0), strict=True))
    rules = [{**rule, "expected_share": shares[rule["code"]]} for rule in rules]
    costs = class_costs(five_class_policy(classes=rules), CODES)
    assert (costs.shares[costs.excluded] > 5e-5).all()
    assert np.isfinite(gate_scores(np.log(np.full((1, 5), 0.2)), costs)).all()
