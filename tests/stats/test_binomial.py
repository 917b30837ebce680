"""One test per sentence of ``stats/binomial.py``; outside numbers live in ``tests/published``."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from passage_cv.errors import InputError
from passage_cv.stats import binomial

rates = st.floats(1e-4, 0.999)
deltas = st.floats(1e-6, 0.5)


@st.composite
def counts(draw: st.DrawFn) -> tuple[int, int]:
    trials = draw(st.integers(1, 5000))
    return draw(st.integers(0, trials)), trials


@given(counts(), rates)
def test_upper_limit_is_the_rate_at_which_so_few_successes_are_just_too_unlikely(
    count: tuple[int, int], confidence: float
) -> None:
    successes, trials = count
    upper = binomial.upper_limit(successes, trials, confidence=confidence)
    if successes == trials:
        assert upper == 1.0
    else:
        assert binom.cdf(successes, trials, upper) == pytest.approx(1 - confidence, rel=1e-6)


@given(counts(), rates)
def test_lower_limit_mirrors_the_upper_limit_of_the_failures(count: tuple[int, int], confidence: float) -> None:
    successes, trials = count
    low = binomial.lower_limit(successes, trials, confidence=confidence)
    mirrored = 1 - binomial.upper_limit(trials - successes, trials, confidence=confidence)
    assert low == pytest.approx(mirrored, rel=1e-9, abs=1e-12)


@given(counts(), rates)
def test_more_successes_never_lower_the_limit_and_more_trials_never_weaken_it(
    count: tuple[int, int], confidence: float
) -> None:
    successes, trials = count
    upper = binomial.upper_limit(successes, trials, confidence=confidence)
    assert binomial.upper_limit(successes, trials + 1, confidence=confidence) <= upper
    if successes:
        assert binomial.upper_limit(successes - 1, trials, confidence=confidence) <= upper


@given(counts(), rates)
def test_intervals_hold_the_observed_rate(count: tuple[int, int], confidence: float) -> None:
    successes, trials = count
    for interval in (binomial.exact_interval, binomial.wilson_interval):
        low, upper = interval(successes, trials, confidence=confidence)
        assert 0 <= low <= successes / trials + 1e-12
        assert successes / trials - 1e-12 <= upper <= 1


def test_no_trials_know_nothing() -> None:
    assert binomial.exact_interval(0, 0) == (0.0, 1.0)
    assert binomial.wilson_interval(0, 0) == (0.0, 1.0)
    assert binomial.upper_limit(0, 0) == 1.0
    assert binomial.lower_limit(0, 0) == 0.0
    assert binomial.rule_of_three(0) == 1.0
    assert binomial.allowed_rank(0, limit=0.05, delta=0.05) == 0


@given(st.integers(0, 3000), rates, deltas)
def test_allowed_rank_is_the_largest_that_keeps_the_limit(trials: int, limit: float, delta: float) -> None:
    rank = binomial.allowed_rank(trials, limit=limit, delta=delta)
    # SciPy's own binomial, not the beta function the module uses; 1e-9 is room for rounding only.
    assert rank == 0 or binom.cdf(rank - 1, trials, limit) <= delta * (1 + 1e-9)
    assert binom.cdf(rank, trials, limit) > delta * (1 - 1e-9)


@given(st.integers(1, 3000), rates, deltas)
def test_allowed_rank_inverts_the_upper_limit(trials: int, limit: float, delta: float) -> None:
    rank = binomial.allowed_rank(trials, limit=limit, delta=delta)
    if rank > 0:
        assert binomial.upper_limit(rank - 1, trials, confidence=1 - delta) <= limit * (1 + 1e-9)
    assert binomial.upper_limit(rank, trials, confidence=1 - delta) > limit * (1 - 1e-9)


@given(st.integers(0, 2000), rates, deltas)
def test_allowed_rank_never_falls_with_trials_limit_or_delta(trials: int, limit: float, delta: float) -> None:
    rank = binomial.allowed_rank(trials, limit=limit, delta=delta)
    assert binomial.allowed_rank(trials + 1, limit=limit, delta=delta) >= rank
    assert binomial.allowed_rank(trials, limit=min(0.9999, 1.1 * limit), delta=delta) >= rank
    assert binomial.allowed_rank(trials, limit=limit, delta=min(0.9, 1.1 * delta)) >= rank


@given(st.floats(1e-3, 0.9), deltas, st.integers(0, 20))
def test_trials_needed_is_the_smallest_that_allows_the_misses(limit: float, delta: float, misses: int) -> None:
    needed = binomial.trials_needed(limit=limit, delta=delta, misses=misses)
    assert binomial.allowed_rank(needed, limit=limit, delta=delta) > misses
    assert binomial.allowed_rank(needed - 1, limit=limit, delta=delta) <= misses


def test_a_million_trials_have_their_rank() -> None:
    rank = binomial.allowed_rank(1_000_000, limit=0.01, delta=0.05)
    assert binom.cdf(rank - 1, 1_000_000, 0.01) <= 0.05 < binom.cdf(rank, 1_000_000, 0.01)


def test_claims_hold_in_simulation_and_the_observed_rate_does_not() -> None:
    # Known truth: the limit is broken when its upper limit lies below the true rate.
    rng = np.random.default_rng(20310511)
    truth, trials, repeats = 0.05, 120, 4000
    found = rng.binomial(trials, truth, size=repeats)
    broken = sum(binomial.upper_limit(int(x), trials) < truth for x in found)
    naive = sum(x / trials < truth for x in found)
    allowed = binom.ppf(1 - 1e-6, repeats, 0.05)
    assert broken <= allowed < naive


@pytest.mark.parametrize(
    ("successes", "trials", "confidence", "message"),
    [
        (3, 2, 0.95, "3 of 2 cannot be"),
        (-1, 2, 0.95, "-1 of 2 cannot be"),
        (0, -2, 0.95, "Number of trials is -2"),
        (0, 2.5, 0.95, "Number of trials is 2.5"),
        (0.5, 2, 0.95, "Number of successes is 0.5"),
        (0, 2, 1.0, "Confidence is 1.0"),
        (0, 2, float("nan"), "Confidence is nan"),
    ],
)
def test_counts_that_cannot_be_are_refused(successes: int, trials: int, confidence: float, message: str) -> None:
    for limit in (
        binomial.exact_interval,
        binomial.upper_limit,
        binomial.lower_limit,
        binomial.wilson_interval,
    ):
        with pytest.raises(InputError, match=message):
            limit(successes, trials, confidence=confidence)


def test_impossible_limits_are_refused() -> None:
    with pytest.raises(InputError, match="Limit is 0"):
        binomial.allowed_rank(10, limit=0.0, delta=0.05)
    with pytest.raises(InputError, match="Delta is 1"):
        binomial.trials_needed(limit=0.05, delta=1.0)
    with pytest.raises(InputError, match="Misses allowed is -1"):
        binomial.trials_needed(limit=0.05, delta=0.05, misses=-1)
    with pytest.raises(InputError, match=r"Rate is 1\.5"):
        binomial.probability_at_most(1, 2, 1.5)
    with pytest.raises(InputError, match="Count is -1"):
        binomial.poisson_upper_limit(-1)
