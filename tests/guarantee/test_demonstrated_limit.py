"""Does the demonstrated limit hold? Seeded simulation with a truth known in closed form (decision-method 12.4, 14).

In each world the true miss rate of a cutoff is its distribution function, so no second sample is needed. The same
test must catch rules that are known to break the limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import get_args

import numpy as np
import pytest
from scipy.stats import binom, norm, t

from passage_cv.decision.cutoffs import Costs, search_cutoffs, search_within_capacity
from passage_cv.decision.guarantee import Mode, miss_cap, rejection_floor

DELTA = 0.05
Rule = Callable[[np.ndarray, float], float]


@dataclass(frozen=True)
class World:
    """Excluded scores with their distribution function; ``below`` is P(score < cutoff)."""

    name: str
    draw: Callable[[np.random.Generator, int], np.ndarray]
    below: Callable[[float], float]


def quantised_below(cutoff: float) -> float:
    """P(round(2 N(3,1)) / 2 < cutoff) for cutoffs on the grid of halves."""
    return float(norm.cdf(cutoff - 0.25 - 3))


WORLDS = (
    World("method section 14: N(3,1)", lambda rng, n: rng.normal(3, 1, n), lambda c: float(norm.cdf(c - 3))),
    World("heavy tails: t with 2 degrees", lambda rng, n: 3 + rng.standard_t(2, n), lambda c: float(t.cdf(c - 3, 2))),
    World("quantised to halves", lambda rng, n: np.round(rng.normal(3, 1, n) * 2) / 2, quantised_below),
)


def order_statistic(scores: np.ndarray, limit: float) -> float:
    return miss_cap(scores, limit=limit, delta=DELTA).cutoff


def empirical(scores: np.ndarray, limit: float) -> float:
    """The naive rule: the largest cutoff whose observed miss rate is within the limit."""
    return float(np.sort(scores)[math.floor(limit * len(scores))])


def normal_approximation(scores: np.ndarray, limit: float) -> float:
    """The textbook interval p + 1.645 sqrt(p(1-p)/n) in place of the exact one."""
    n = len(scores)
    x = np.arange(n)
    p = x / n
    fine = np.flatnonzero(p + 1.645 * np.sqrt(p * (1 - p) / n) <= limit)
    return float(np.sort(scores)[fine[-1]]) if len(fine) else -math.inf


def bootstrap_percentile(scores: np.ndarray, limit: float) -> float:
    """The 95th percentile of resampled miss rates: with x of n missed a resample misses Bin(n, x / n)."""
    n = len(scores)
    x = np.arange(n)
    fine = np.flatnonzero(binom.ppf(0.95, n, x / n) / n <= limit)
    return float(np.sort(scores)[fine[-1]])


def split_conformal(scores: np.ndarray, limit: float) -> float:
    """Limits the mean miss rate only, not its chance of exceeding the limit."""
    k = math.floor(limit * (len(scores) + 1))
    return float(np.sort(scores)[k - 1]) if k else -math.inf


def broken(rule: Rule, world: World, *, n: int, limit: float, repeats: int, seed: int) -> int:
    rng = np.random.default_rng(seed)
    return sum(world.below(rule(world.draw(rng, n), limit)) > limit for _ in range(repeats))


def allowed(repeats: int) -> int:
    """Broken limits that chance explains at delta; a correct rule fails this once in a million seeds."""
    return int(binom.ppf(1 - 1e-6, repeats, DELTA))


@pytest.mark.parametrize("world", WORLDS, ids=lambda world: world.name)
@pytest.mark.parametrize(("limit", "n"), [(0.05, 59), (0.05, 100), (0.05, 299), (0.01, 299)])
def test_limit_is_broken_at_most_delta(world: World, limit: float, n: int) -> None:
    assert broken(order_statistic, world, n=n, limit=limit, repeats=2000, seed=n) <= allowed(2000)


@pytest.mark.slow
@pytest.mark.parametrize("world", WORLDS, ids=lambda world: world.name)
@pytest.mark.parametrize(("limit", "n"), [(0.05, 59), (0.05, 299), (0.05, 1000), (0.01, 299), (0.01, 1000)])
def test_limit_over_twenty_thousand_calibrations(world: World, limit: float, n: int) -> None:
    assert broken(order_statistic, world, n=n, limit=limit, repeats=20_000, seed=n) <= allowed(20_000)


@pytest.mark.parametrize(
    ("rule", "published"),
    [(empirical, 0.6195), (split_conformal, 0.4348), (normal_approximation, 0.1172), (bootstrap_percentile, 0.1155)],
)
def test_the_same_test_catches_rules_that_break_the_limit(rule: Rule, published: float) -> None:
    """Rates at limit 0.05, n = 100: decision-method 14 (20,000 runs there)."""
    found = broken(rule, WORLDS[0], n=100, limit=0.05, repeats=2000, seed=1)
    assert found > allowed(2000)
    assert found / 2000 == pytest.approx(published, abs=5 * math.sqrt(published * (1 - published) / 2000))


def f1_optimal(scores: np.ndarray, excluded: np.ndarray) -> float:
    """The cutoff with the best F1 of "excluded"."""
    order = np.argsort(scores)
    rest = excluded.sum() - np.append(0, np.cumsum(excluded[order]))[:-1]  # excluded at or above each score
    named = len(scores) - np.arange(len(scores))
    return float(scores[order][np.argmax(2 * rest / (named + excluded.sum()))])


def cost_optimal(scores: np.ndarray, excluded: np.ndarray) -> float:
    """The pass cutoff of least cost without a cap: the search of the package, costs 20 / 5 / 1, 30 % excluded."""
    weights = np.where(excluded, 0.3 / excluded.sum(), 0.7 / (~excluded).sum())
    costs = Costs(20 * weights * excluded, weights, 5 * weights * ~excluded)
    return search_cutoffs(scores, scores, costs).u


def argmax(scores: np.ndarray, excluded: np.ndarray) -> float:
    """Pass where "wanted" is the more probable: 0.7 N(0, 1) against 0.3 N(3, 1)."""
    return (math.log(0.7 / 0.3) + 4.5) / 3


@pytest.mark.parametrize(
    ("rule", "limit", "n", "published"),
    [
        (f1_optimal, 0.05, 100, 0.9822),
        (f1_optimal, 0.05, 299, 0.9988),
        (cost_optimal, 0.01, 299, 0.8315),
        (cost_optimal, 0.01, 1000, 0.8810),
        (argmax, 0.05, 299, 1.0),
    ],
    ids=lambda value: getattr(value, "__name__", str(value)),
)
def test_rules_without_a_cap_break_the_limit(
    rule: Callable[[np.ndarray, np.ndarray], float], limit: float, n: int, published: float
) -> None:
    """Score world and rates: decision-method 14 (4,000 runs there; n is the number of excluded fish, 30 % of all)."""
    rng = np.random.default_rng(n)
    excluded = np.arange(round(n / 0.3)) < n
    found = 0
    for _ in range(500):
        scores = rng.normal(3.0 * excluded, 1.0)
        found += norm.cdf(rule(scores, excluded) - 3) > limit
    assert found > allowed(500)
    assert found / 500 == pytest.approx(published, abs=5 * math.sqrt(published * (1 - published) / 500) + 0.01)


def test_miss_and_refusal_limits_hold_together() -> None:
    """Two cutoffs are two claims: delta halved each (decision-method 14: either broken .0390 of the time)."""
    rng = np.random.default_rng(19)
    misses = refusals = either = 0
    for _ in range(2000):
        u = miss_cap(rng.normal(3, 1, 1000), limit=0.05, delta=0.025).cutoff
        v = rejection_floor(rng.normal(0, 1, 400), limit=0.05, delta=0.025).cutoff
        missed, refused = norm.cdf(u - 3) > 0.05, norm.sf(v) > 0.05
        misses, refusals, either = misses + missed, refusals + refused, either + (missed or refused)
    assert misses <= binom.ppf(1 - 1e-6, 2000, 0.025)
    assert refusals <= binom.ppf(1 - 1e-6, 2000, 0.025)
    assert either <= allowed(2000)
    assert either > 0.5 * 2000 * 0.0390  # the limits are not kept by holding everything


def test_a_cutoff_chosen_by_cost_or_capacity_under_the_cap_keeps_the_limit() -> None:
    """The whole search on the same fish: costs and a hold capacity choose freely below the cap of two classes."""
    rng = np.random.default_rng(23)
    label = np.repeat([0, 1, 2], [120, 150, 500])
    excluded = label < 2
    weights = np.array([0.05, 0.05, 0.9])[label] / np.bincount(label)[label]
    costs = Costs(20 * weights * excluded, weights, 5 * weights * ~excluded)
    broken_limits = passing = 0
    for _ in range(1000):
        scores = rng.normal(np.array([3.0, 2.6, 0.0])[label], 1.0)
        u_cap = min(miss_cap(scores[label == k], limit=0.05, delta=DELTA).cutoff for k in (0, 1))
        choice = search_within_capacity(scores, scores, costs, weights, most_held=0.3, u_cap=u_cap)
        u = -math.inf if choice is None else choice.u
        broken_limits += norm.cdf(u - 3.0) > 0.05 or norm.cdf(u - 2.6) > 0.05
        passing += u > -math.inf
    assert passing > 900
    assert broken_limits <= allowed(1000)


def test_inclusive_passing_would_break_the_limit_on_ties() -> None:
    """Property 3: with 30 equally likely score levels, passing at s <= u lets a whole level too many through."""
    rng = np.random.default_rng(7)
    n, strict, inclusive = 1000, 0, 0
    for _ in range(500):
        cap = order_statistic(np.floor(rng.random(n) * 30), 0.05)
        strict += cap / 30 > 0.05
        inclusive += (cap + 1) / 30 > 0.05
    assert strict <= allowed(500)
    assert inclusive > allowed(500)


def test_shared_cutoff_keeps_every_class_without_bonferroni() -> None:
    """Intersection-union: three excluded classes at full delta each, one cutoff (Berger 1982)."""
    rng = np.random.default_rng(11)
    any_broken = 0
    for _ in range(2000):
        u = min(order_statistic(rng.normal(mean, 1, 100), 0.05) for mean in (3.0, 3.1, 3.2))
        any_broken += any(norm.cdf(u - mean) > 0.05 for mean in (3.0, 3.1, 3.2))
    assert any_broken <= allowed(2000)


def test_counting_images_as_fish_breaks_the_limit() -> None:
    """60 fish of 10 images each: the limit on images is not one on fish (decision-method 14: .225)."""
    rng = np.random.default_rng(13)
    by_image, by_fish = 0, 0
    for _ in range(1000):
        fish = rng.normal(3, 1, 60)
        by_fish += norm.cdf(order_statistic(fish, 0.05) - 3) > 0.05
        images = np.repeat(fish, 10) + rng.normal(0, 0.1, 600)
        by_image += norm.cdf((order_statistic(images, 0.05) - 3) / math.hypot(1, 0.1)) > 0.05
    assert by_fish <= allowed(1000)
    assert by_image > allowed(1000)


def test_modes_over_trips_hold_where_fish_of_a_trip_are_alike() -> None:
    """80 trips of 25 fish, 3 % bad trips: only fish as independent breaks the limit (decision-method 14)."""
    rng = np.random.default_rng(17)
    names = np.repeat(np.arange(80), 25)
    times_broken = dict.fromkeys(get_args(Mode), 0)
    for seed in range(400):
        bad = rng.random(80) < 0.03
        scores = rng.normal(np.repeat(np.where(bad, 0.0, 3.0), 25), 1.0)
        for mode in times_broken:
            cut = miss_cap(scores, names, limit=0.05, delta=DELTA, mode=mode, seed=seed).cutoff
            times_broken[mode] += 0.97 * norm.cdf(cut - 3) + 0.03 * norm.cdf(cut) > 0.05
    assert times_broken["trip"] <= allowed(400)
    assert times_broken["between-trips"] <= allowed(400)
    assert times_broken["fish"] > allowed(400)


def test_between_trips_limits_the_mean_over_new_trips_without_holding_all() -> None:
    """200 trips of 10 fish, trips normal with a share 0.2 of the variance: exact by Markov, and something passes."""
    rng = np.random.default_rng(29)
    names = np.repeat(np.arange(200), 10)
    broken_limits = passing = 0
    for _ in range(400):
        scores = 3 + np.repeat(rng.normal(0, math.sqrt(0.2), 200), 10) + rng.normal(0, math.sqrt(0.8), 2000)
        cut = miss_cap(scores, names, limit=0.05, delta=DELTA, mode="between-trips").cutoff
        broken_limits += norm.cdf(cut - 3) > 0.05
        passing += cut > 0
    assert passing == 400
    assert broken_limits <= allowed(400)
