"""Does the demonstrated limit hold? Seeded simulation with a truth known in closed form (decision-method 12.4, 14).

In each world the true miss rate of a cutoff is its distribution function, so no second sample is needed. The same
test must catch rules that are known to break the limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import binom, norm, t

from passage_cv.decision.guarantee import miss_cap

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
    ("rule", "published"), [(empirical, 0.6195), (split_conformal, 0.4348), (normal_approximation, 0.1172)]
)
def test_the_same_test_catches_rules_that_break_the_limit(rule: Rule, published: float) -> None:
    """Rates at limit 0.05, n = 100: decision-method 14 (20,000 runs there)."""
    found = broken(rule, WORLDS[0], n=100, limit=0.05, repeats=2000, seed=1)
    assert found > allowed(2000)
    assert found / 2000 == pytest.approx(published, abs=5 * math.sqrt(published * (1 - published) / 2000))


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


def test_one_fish_per_trip_holds_where_fish_of_a_trip_are_alike() -> None:
    """80 trips of 25 fish, 3 % bad trips: fish as independent breaks, one per trip holds (decision-method 14)."""
    rng = np.random.default_rng(17)
    names = np.repeat(np.arange(80), 25)
    as_fish = as_trip = 0
    for seed in range(400):
        bad = rng.random(80) < 0.03
        scores = rng.normal(np.repeat(np.where(bad, 0.0, 3.0), 25), 1.0)
        for mode in ("fish", "trip"):
            cut = miss_cap(scores, names, limit=0.05, delta=DELTA, mode=mode, seed=seed).cutoff
            rate = 0.97 * norm.cdf(cut - 3) + 0.03 * norm.cdf(cut)
            as_fish += mode == "fish" and rate > 0.05
            as_trip += mode == "trip" and rate > 0.05
    assert as_trip <= allowed(400)
    assert as_fish > allowed(400)
