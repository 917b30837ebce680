"""Hold capacity as a constraint: exact over all pairs, paid for in the open, given up before a limit ever is."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.config import parse_settings
from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.combine import combine_views
from passage_cv.decision.cutoffs import (
    Choice,
    Costs,
    cost_at,
    held_share,
    least_held,
    search_cutoffs,
    search_within_capacity,
)
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import choose_actions, score_with
from passage_cv.decision.unmet import describe_overload
from passage_cv.errors import InputError
from passage_cv.policy import Policy
from passage_cv.records import Action
from passage_cv.scores import Scores
from tests.worlds import five_class_policy, five_class_scores

LEVELS = st.integers(-3, 3).map(float)
Problem = tuple[np.ndarray, np.ndarray, Costs, np.ndarray, dict[str, float]]


@st.composite
def small_problems(draw: st.DrawFn) -> Problem:
    n = draw(st.integers(1, 8))
    score = np.array(draw(st.lists(LEVELS, min_size=n, max_size=n)))
    held, excluded = (np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n))) for _ in range(2))
    weights = np.array(draw(st.lists(st.integers(1, 5), min_size=n, max_size=n)), dtype=float)
    weights /= weights.sum()
    error, hold = draw(st.sampled_from([(20.0, 1.0), (5.0, 3.0), (2.0, 6.0)]))
    bound = st.one_of(LEVELS, st.sampled_from([-math.inf, math.inf]))
    costs = Costs(weights * error * excluded, weights * hold, weights * error * ~excluded)
    to_pass, to_reject = np.where(held, math.inf, score), np.where(held, -math.inf, score)
    return to_pass, to_reject, costs, weights, {"u_cap": draw(bound), "v_floor": draw(bound)}


def allowed_pairs(problem: Problem) -> list[Choice]:
    to_pass, to_reject, costs, _, bounds = problem
    places = {*to_pass.tolist(), *to_reject.tolist(), *bounds.values(), -math.inf, math.inf}
    return [
        Choice(u, v, cost_at(to_pass, to_reject, costs, u=u, v=v))
        for u in places
        for v in places
        if u <= v and u <= bounds["u_cap"] and v >= bounds["v_floor"]
    ]


@given(small_problems(), st.floats(0, 1))
def test_cheapest_pair_within_capacity_equals_brute_force(problem: Problem, most_held: float) -> None:
    to_pass, to_reject, costs, weights, bounds = problem
    fitting = [
        pair for pair in allowed_pairs(problem) if held_share(to_pass, to_reject, weights, pair) <= most_held + 1e-12
    ]
    found = search_within_capacity(to_pass, to_reject, costs, weights, most_held=most_held, **bounds)
    assert (found is None) == (not fitting)
    if found is not None:
        assert math.isclose(found.cost, min(pair.cost for pair in fitting), abs_tol=1e-9)
        assert math.isclose(found.cost, cost_at(to_pass, to_reject, costs, u=found.u, v=found.v), abs_tol=1e-9)
        assert found.u <= min(found.v, bounds["u_cap"])
        assert found.v >= bounds["v_floor"]
        assert held_share(to_pass, to_reject, weights, found) <= most_held + 1e-9


@given(small_problems())
def test_least_held_equals_brute_force(problem: Problem) -> None:
    to_pass, to_reject, _, weights, bounds = problem
    least = min(held_share(to_pass, to_reject, weights, pair) for pair in allowed_pairs(problem))
    assert math.isclose(least_held(to_pass, to_reject, weights, **bounds), least, abs_tol=1e-9)


@given(small_problems())
def test_room_for_all_changes_nothing(problem: Problem) -> None:
    to_pass, to_reject, costs, weights, bounds = problem
    roomy = search_within_capacity(to_pass, to_reject, costs, weights, most_held=1.0, **bounds)
    assert roomy == search_cutoffs(to_pass, to_reject, costs, **bounds)


@pytest.fixture(scope="module")
def scores() -> Scores:
    return five_class_scores(np.random.default_rng(1), separation=3.0)


def policy(capacity: float | None) -> Policy:
    if capacity is None:
        return five_class_policy()
    return five_class_policy(presentations_per_hour=100, hold_capacity_per_hour=capacity)


@pytest.fixture(scope="module")
def free(scores: Scores) -> Cutoffs:
    return calibrate(scores, policy(None))


def share_held(scores: Scores, cutoffs: Cutoffs) -> float:
    """At the site's shares, counted from the actions themselves."""
    cut = combine_views(scores, cutoffs.views).with_role("cut")
    moved = cutoffs.model_copy(update={"eps": 0.0})
    held = choose_actions(score_with(cut, moved), moved) == Action.HOLD
    return sum(share * held[cut.label == code].mean() for code, share in cutoffs.shares.items())


def test_without_capacity_the_load_is_said_all_the_same(scores: Scores, free: Cutoffs) -> None:
    assert free.hold_load is not None
    assert free.hold_load.share == pytest.approx(share_held(scores, free), abs=0.01)  # float32 moves a tie or two
    assert free.hold_load.least_share <= free.hold_load.share
    assert free.hold_load.met is None
    assert describe_overload(free) == ""


def test_capacity_is_kept_and_its_price_named(scores: Scores, free: Cutoffs) -> None:
    assert free.hold_load is not None
    middle = 100 * (free.hold_load.share + free.hold_load.least_share) / 2
    tight = calibrate(scores, policy(middle))
    load = tight.hold_load
    assert load is not None
    assert load.met is True
    assert load.per_hour is not None
    assert load.per_hour <= middle + 1e-9
    assert share_held(scores, tight) <= middle / 100 + 0.01
    price = tight.expected_cost.chosen - free.expected_cost.chosen
    assert price > 0
    assert load.price_per_hour == pytest.approx(100 * price)
    roomier = calibrate(scores, policy(middle + 1))
    saved = tight.expected_cost.chosen - roomier.expected_cost.chosen
    assert load.next_fish_per_hour == pytest.approx(100 * saved)


def test_capacity_never_moves_a_limit(scores: Scores, free: Cutoffs) -> None:
    for capacity in (0.5, 5.0, 20.0, 99.0):
        found = calibrate(scores, policy(capacity))
        assert (found.u_cap, found.v_floor, found.limits) == (free.u_cap, free.v_floor, free.limits)
        assert found.u is not None
        assert found.u_cap is not None
        assert found.u <= found.u_cap


def test_where_limits_leave_more_to_hold_the_capacity_is_given_up() -> None:
    hard = five_class_scores(np.random.default_rng(2), separation=1.0)
    found = calibrate(hard, policy(1.0))
    load = found.hold_load
    assert load is not None
    assert load.met is False
    assert load.price_per_hour is None
    without = calibrate(hard, policy(None))
    assert (found.u, found.v) == (without.u, without.v)
    sentence = describe_overload(found)
    assert "can clear 1 held fish per hour" in sentence
    assert f"at least {100 * load.least_share:.1f} to hold" in sentence
    assert "capacity given up" in sentence


def test_more_capacity_never_costs_more(scores: Scores, free: Cutoffs) -> None:
    assert free.hold_load is not None
    capacities = 100 * np.linspace(free.hold_load.least_share + 0.001, free.hold_load.share, 4)
    costs = [calibrate(scores, policy(float(capacity))).expected_cost.chosen for capacity in capacities]
    assert costs[0] > costs[-1] == pytest.approx(free.expected_cost.chosen)
    assert costs == sorted(costs, reverse=True)


def test_capacity_needs_its_traffic() -> None:
    for half in ({"hold_capacity_per_hour": 5}, {"presentations_per_hour": 100}):
        values = {**five_class_policy().model_dump(exclude_none=True), **half}
        with pytest.raises(InputError, match="belong together"):
            parse_settings(values, Policy, where="policy.toml")
