"""How many fish: the numbers of the format, the policy's deltas, and properties."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.config import configs_folder
from passage_cv.errors import InputError
from passage_cv.planning import sampling
from passage_cv.policy import Policy, read_policy
from passage_cv.stats.binomial import upper_limit

DEMO = configs_folder() / "policy" / "quillmarsh.toml"


@pytest.fixture
def policy() -> Policy:
    return read_policy(DEMO)


def test_a_policy_that_limits_both_kinds_halves_delta(policy: Policy) -> None:
    # formats 5: 59 fish show 5 % at 95 %, 72 where delta is halved; 72 / 0.4 = 180.
    needs = sampling.plan_for_policy(policy)
    assert {(need.code, need.individuals, need.to_image) for need in needs} == {
        ("NSH", 72, 180),
        ("BCF", 72, 180),
        ("ASE", 72, 180),
        ("SNS", 72, 180),
    }
    assert {need.kind for need in needs if need.code == "SNS"} == {"false rejection"}
    assert all(need.confidence == pytest.approx(0.975) for need in needs)


def test_a_policy_that_limits_one_kind_keeps_delta_whole(policy: Policy) -> None:
    classes = tuple(
        rule.model_copy(update={"false_rejection_limit": None, "never_reject_above": 0.01})
        if rule.policy == "protected"
        else rule
        for rule in policy.classes
    )
    needs = sampling.plan_for_policy(policy.model_copy(update={"classes": classes}))
    assert {(need.code, need.individuals, need.to_image) for need in needs} == {
        ("NSH", 59, 148),
        ("BCF", 59, 148),
        ("ASE", 59, 148),
    }


def test_two_attempts_halve_delta_again(policy: Policy) -> None:
    needs = sampling.plan_for_policy(policy.model_copy(update={"attempts": 2}))
    # ln(0.0125) / ln(0.95) = 85.43, by hand
    assert {need.individuals for need in needs} == {86}


def test_trip_modes_count_trips(policy: Policy) -> None:
    for mode, trips in (("trip", 72), ("between-trips", 76)):
        # between-trips: ln(1 / 0.025) / ln(1.05) = 75.6, by hand
        needs = sampling.plan_for_policy(policy.model_copy(update={"mode": mode}))
        assert {(need.individuals, need.mode) for need in needs} == {(trips, mode)}


def test_what_the_store_holds_is_taken_off(policy: Policy) -> None:
    needs = sampling.plan_for_policy(policy, in_cut={"NSH": 54, "BCF": 90})
    missing = {need.code: need.missing for need in needs}
    # 72 - 54 = 18 in cut, over 0.4 = 45 (formats 5 and style 5 print the same pair)
    assert missing == {"NSH": 45, "BCF": 0, "ASE": 180, "SNS": 180}


def test_a_policy_without_limits_is_refused(policy: Policy) -> None:
    bare = tuple(
        rule.model_copy(update={"miss_limit": None, "false_rejection_limit": None}) for rule in policy.classes
    )
    with pytest.raises(InputError, match=r"Policy of QMR-KBW-01 limits no class.*--miss-limit"):
        sampling.plan_for_policy(policy.model_copy(update={"classes": bare}))


def test_no_miss_can_be_planned_between_trips() -> None:
    with pytest.raises(InputError, match="Misses allowed is 1"):
        sampling.units_needed(0.05, delta=0.05, misses=1, mode="between-trips")


@given(st.integers(1, 3000), st.floats(1e-3, 0.5), st.floats(1e-4, 0.5))
def test_more_fish_never_weaken_what_can_be_shown(fish: int, limit: float, delta: float) -> None:
    now, more = sampling.shown_by(fish, delta=delta), sampling.shown_by(fish + 1, delta=delta)
    assert all(more[x] <= now[x] for x in now)
    allowed_now = sampling.misses_allowed(fish, limit=limit, delta=delta)
    allowed_more = sampling.misses_allowed(fish + 1, limit=limit, delta=delta)
    assert (-1 if allowed_more is None else allowed_more) >= (-1 if allowed_now is None else allowed_now)


@given(st.floats(1e-3, 0.5), st.floats(1e-4, 0.5), st.integers(0, 5))
def test_the_planned_number_shows_the_limit_and_one_fewer_does_not(limit: float, delta: float, misses: int) -> None:
    fish = sampling.units_needed(limit, delta=delta, misses=misses)
    assert upper_limit(misses, fish, confidence=1 - delta) <= limit * (1 + 1e-9)
    assert fish - 1 < misses or upper_limit(min(misses, fish - 1), fish - 1, confidence=1 - delta) > limit * (
        1 - 1e-9
    )


@given(st.integers(0, 5000), st.sampled_from([0.1, 0.2, 0.3, 0.4, 0.6, 0.7, 1.0]))
def test_over_share_is_the_smallest_whole_number(fish: int, share: float) -> None:
    total = sampling.over_share(fish, share)
    tenths = round(share * 10)
    assert total * tenths >= fish * 10 > (total - 1) * tenths or fish == total == 0


@given(
    st.integers(0, 1000),
    st.lists(st.integers(1, 900), max_size=4, unique=True).map(sorted),
    st.lists(st.sampled_from(["day", "night", "infrared"]), min_size=1, max_size=3, unique=True),
)
def test_targets_sum_to_the_whole_and_are_even(fish: int, edges: list[int], lights: list[str]) -> None:
    targets = sampling.split_targets(fish, length_edges_mm=edges, lights=lights)
    counts = [target.individuals for target in targets]
    assert len(counts) == (len(edges) + 1) * len(lights)
    assert sum(counts) == fish
    assert max(counts) - min(counts) <= 1


def test_targets_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match=r"Length edges are \[500, 300\]"):
        sampling.split_targets(10, length_edges_mm=(500, 300), lights=("day",))
    with pytest.raises(InputError, match=r"lights \[\]"):
        sampling.split_targets(10, length_edges_mm=(), lights=())
    with pytest.raises(InputError, match="Share of cut is 0"):
        sampling.over_share(10, 0)


def test_chance_to_succeed_falls_with_the_true_rate() -> None:
    chances = [sampling.chance_to_succeed(59, misses=0, true_rate=rate) for rate in (0, 0.01, 0.05, 0.2)]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] == 1
    # a rule exactly at its limit is let through with at most delta: 0.95^59 (decision-method 13, example 1)
    assert chances[2] == pytest.approx(0.0484945252, abs=5e-11)


def test_the_demo_policy_is_where_the_user_finds_it() -> None:
    assert Path(DEMO).is_file()
