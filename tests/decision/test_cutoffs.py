"""Decision-method 12, properties 5 and 10: the search against every pair, constraints, holds."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.decision.cutoffs import Costs, cost_at, search_cutoffs

Problem = tuple[np.ndarray, np.ndarray, Costs, float, float]
LEVELS = st.integers(-3, 3).map(float)


@st.composite
def small_problems(draw: st.DrawFn) -> Problem:
    n = draw(st.integers(1, 9))
    score = np.array(draw(st.lists(LEVELS, min_size=n, max_size=n)))
    held = np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    excluded = np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    error, hold = draw(st.sampled_from([(20.0, 1.0), (5.0, 3.0), (2.0, 6.0)]))
    caps = st.one_of(LEVELS, st.sampled_from([-math.inf, math.inf]))
    costs = Costs(error * excluded / n, np.full(n, hold / n), error * ~excluded / n)
    return np.where(held, math.inf, score), np.where(held, -math.inf, score), costs, draw(caps), draw(caps)


@given(small_problems())
def test_cost_equals_brute_force_over_all_candidate_pairs(problem: Problem) -> None:
    to_pass, to_reject, costs, u_cap, v_floor = problem
    score = np.where(to_pass == math.inf, to_reject, to_pass)
    places = {*score.tolist(), u_cap, v_floor, -math.inf, math.inf}
    pairs = [(u, v) for u in places for v in places if u <= v and u <= u_cap and v >= v_floor]
    best = min(cost_at(to_pass, to_reject, costs, u=u, v=v) for u, v in pairs)
    choice = search_cutoffs(to_pass, to_reject, costs, u_cap=u_cap, v_floor=v_floor)
    assert choice.u <= choice.v
    assert choice.u <= u_cap
    assert choice.v >= v_floor
    assert math.isclose(choice.cost, best, abs_tol=1e-9)
    assert math.isclose(cost_at(to_pass, to_reject, costs, u=choice.u, v=choice.v), best, abs_tol=1e-9)


@given(small_problems())
def test_held_individuals_are_never_passed_or_rejected(
    problem: Problem,
) -> None:
    to_pass, to_reject, costs, u_cap, v_floor = problem
    choice = search_cutoffs(to_pass, to_reject, costs, u_cap=u_cap, v_floor=v_floor)
    held = to_pass == math.inf
    assert not (to_pass[held] < choice.u).any()
    assert not (to_reject[held] > choice.v).any()


def test_cutoffs_are_infinite_only_where_nothing_is_allowed() -> None:
    score = np.array([0.0, 1.0])
    costs = Costs(np.array([0.0, 0.0]), np.array([1.0, 1.0]), np.array([9.0, 9.0]))
    free = search_cutoffs(score, score, costs)
    assert free.u == np.nextafter(1.0, math.inf)  # passes both, one step beyond the extreme score
    assert math.isfinite(free.v)
    nothing = search_cutoffs(score, score, costs, u_cap=-math.inf, v_floor=math.inf)
    assert (nothing.u, nothing.v) == (-math.inf, math.inf)


def test_a_million_individuals_agree_with_a_direct_sum() -> None:
    rng = np.random.default_rng(5)
    excluded = rng.random(1_000_000) < 0.3
    score = rng.normal(3.0 * excluded, 1.0).astype(np.float32).astype(np.float64)  # rounding makes ties
    weight = np.full(len(score), 1e-6)
    costs = Costs(weight * 20 * excluded, weight, weight * 5 * ~excluded)
    choice = search_cutoffs(score, score, costs, u_cap=0.5)
    assert choice.u <= 0.5
    assert math.isclose(cost_at(score, score, costs, u=choice.u, v=choice.v), choice.cost, rel_tol=1e-9)
