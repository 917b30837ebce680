"""Decision-method 12, properties 1 to 3: ranks, invariance, strictness."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from passage_cv.decision.guarantee import betting_evidence, miss_cap, one_per_trip, rejection_floor, trips_needed
from passage_cv.stats.binomial import allowed_rank, trials_needed, upper_limit

LIMITS = st.sampled_from([0.3, 0.1, 0.05, 0.02])
DELTAS = st.sampled_from([0.2, 0.05, 0.025])
SAMPLES = st.lists(st.integers(-50, 50).map(float), min_size=1, max_size=150)


def cap_of(scores: np.ndarray, limit: float, delta: float) -> float:
    return miss_cap(scores, limit=limit, delta=delta).cutoff


@given(st.integers(1, 2000), LIMITS, DELTAS)
def test_rank_is_the_largest_that_keeps_delta(n: int, limit: float, delta: float) -> None:
    rank = allowed_rank(n, limit=limit, delta=delta)
    assert rank == 0 or binom.cdf(rank - 1, n, limit) <= delta
    assert binom.cdf(rank, n, limit) > delta
    assert (rank >= 1) == (n >= trials_needed(limit=limit, delta=delta))


@given(st.integers(1, 300), LIMITS, DELTAS)
def test_rank_is_clopper_pearson_inverted(n: int, limit: float, delta: float) -> None:
    passing = [x for x in range(n) if upper_limit(x, n, confidence=1 - delta) <= limit]
    assert allowed_rank(n, limit=limit, delta=delta) == len(passing)


@given(SAMPLES, LIMITS, DELTAS, st.randoms())
def test_cap_ignores_order_and_follows_monotone_maps(
    sample: list[float], limit: float, delta: float, random: object
) -> None:
    scores = np.array(sample)
    cap = cap_of(scores, limit, delta)
    shuffled = np.random.default_rng(random.randrange(2**32)).permutation(scores)  # type: ignore[attr-defined]
    assert cap_of(shuffled, limit, delta) == cap
    mapped = cap_of(np.exp(scores / 10), limit, delta)
    assert mapped == (math.exp(cap / 10) if math.isfinite(cap) else -math.inf)


@given(SAMPLES, DELTAS)
def test_cap_never_falls_when_more_is_allowed(sample: list[float], delta: float) -> None:
    scores = np.array(sample)
    caps = [cap_of(scores, limit, delta) for limit in (0.02, 0.05, 0.1, 0.3)]
    assert caps == sorted(caps)
    assert cap_of(scores, 0.1, 0.025) <= cap_of(scores, 0.1, 0.2)


@given(SAMPLES, LIMITS, DELTAS, st.data())
def test_a_lower_excluded_score_never_raises_the_cap(
    sample: list[float], limit: float, delta: float, data: st.DataObject
) -> None:
    scores = np.array(sample)
    lower = scores.copy()
    lower[data.draw(st.integers(0, len(scores) - 1))] -= data.draw(st.floats(0, 30))
    assert cap_of(lower, limit, delta) <= cap_of(scores, limit, delta)


def test_floor_mirrors_the_cap() -> None:
    scores = np.random.default_rng(0).normal(size=200)
    floor = rejection_floor(scores, limit=0.05, delta=0.05)
    assert floor.cutoff == -miss_cap(-scores, limit=0.05, delta=0.05).cutoff
    assert (scores > floor.cutoff).sum() == floor.rank - 1


def test_held_fish_count_but_never_pass() -> None:
    scores = np.append(np.linspace(0, 1, 60), np.full(40, math.inf))
    cap = miss_cap(scores, limit=0.05, delta=0.05)
    assert cap.n == 100
    assert (scores < cap.cutoff).sum() == cap.rank - 1 == 1


@pytest.mark.parametrize(("limit", "needed"), [(0.05, 62), (0.02, 157), (0.01, 314)])
def test_between_trips_needs_as_many_clean_trips_as_the_method_says(limit: float, needed: int) -> None:
    """Source: decision-method 6."""
    assert trips_needed(limit=limit, delta=0.05) == needed
    for trips, allowed in ((needed, True), (needed - 1, False)):
        names = np.repeat(np.arange(trips), 3)
        scores = np.arange(len(names), dtype=float)
        cap = miss_cap(scores, names, limit=limit, delta=0.05, mode="between-trips")
        assert (cap.cutoff > -math.inf) is allowed
        assert cap.missing == (0 if allowed else 1)


def test_trip_mode_draws_one_fish_per_trip_with_its_seed() -> None:
    names = np.repeat(np.arange(80), 5)
    scores = np.random.default_rng(3).normal(size=400)
    first = miss_cap(scores, names, limit=0.05, delta=0.05, mode="trip", seed=1)
    assert (first.n, first.trips) == (80, 80)
    assert first == miss_cap(scores, names, limit=0.05, delta=0.05, mode="trip", seed=1)
    assert first.cutoff != miss_cap(scores, names, limit=0.05, delta=0.05, mode="trip", seed=2).cutoff


def test_many_fish_tied_at_the_cap_pass_none() -> None:
    """Property 3: passing is strict."""
    scores = np.append(np.full(200, 1.0), np.linspace(2, 3, 100))
    cap = miss_cap(scores, limit=0.05, delta=0.05)
    assert cap.cutoff == 1.0
    assert not (scores < cap.cutoff).any()


@given(st.lists(st.tuples(st.integers(0, 70), st.integers(-9, 9)), min_size=1, max_size=200))
def test_betting_cap_is_the_definition(fish: list[tuple[int, int]]) -> None:
    """The largest score at which the evidence over all trips still reaches 1 / delta, tried one by one."""
    trips, scores = (np.array(column) for column in zip(*fish, strict=True))
    trips, scores = np.append(trips, np.arange(70)), np.append(scores, np.full(70, 5)).astype(float)
    names = np.unique(trips)
    allowed = [-math.inf]
    for cutoff in np.unique(scores):
        shares = np.array([(scores[trips == name] < cutoff).mean() for name in names])
        if betting_evidence(shares, 0.2) >= -math.log(0.05):
            allowed.append(float(cutoff))
    assert miss_cap(scores, trips, limit=0.2, delta=0.05, mode="between-trips").cutoff == max(allowed)


@pytest.mark.parametrize("spread", [0.0, 3.0])
@pytest.mark.parametrize("step", [0.0, 0.25])
def test_betting_cap_of_many_fish_is_the_last_allowed_score(spread: float, step: float) -> None:
    """More fish than the sample that narrows the search: the evidence reaches 1 / delta at the cap, and not above."""
    rng = np.random.default_rng(4)
    trips = rng.integers(0, 120, 30_000) % rng.integers(1, 121, 30_000)  # trips of very unequal size
    scores = rng.normal(spread * rng.normal(size=120)[trips], 1.0)
    scores = np.round(scores / step) * step if step else scores
    cap = miss_cap(scores, trips, limit=0.05, delta=0.05, mode="between-trips")

    def evidence(cutoff: float) -> float:
        return betting_evidence(
            np.array([(scores[trips == trip] < cutoff).mean() for trip in np.unique(trips)]), 0.05
        )

    assert evidence(cap.cutoff) >= -math.log(0.05) > evidence(scores[scores > cap.cutoff].min())
    assert (scores < cap.cutoff).sum() == cap.rank - 1


@given(st.lists(st.integers(0, 12), min_size=1, max_size=80), st.integers(0, 99))
def test_one_fish_per_trip_is_one_of_each(trips: list[int], seed: int) -> None:
    numbers = np.array(trips)
    rows = one_per_trip(numbers, seed)
    assert sorted(numbers[rows].tolist()) == sorted(set(trips))


def test_each_fish_of_a_trip_is_drawn_alike() -> None:
    """In small trips beside large ones too: whichever way a trip gets its fish, each has the same chance."""
    trips = np.repeat([0, 1, 2, 5], [4, 3, 40, 2])
    drawn = np.zeros(len(trips))
    for seed in range(4000):
        drawn[one_per_trip(trips, seed)] += 1
    chance = 1 / np.bincount(trips)[trips]
    assert (drawn > binom.ppf(1e-7, 4000, chance)).all()
    assert (drawn < binom.ppf(1 - 1e-7, 4000, chance)).all()
