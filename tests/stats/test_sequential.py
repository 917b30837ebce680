"""Sequential tests keep their risks however often one looks, and refuse what they cannot test."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from passage_cv.errors import InputError
from passage_cv.stats import sequential
from passage_cv.stats.binomial import upper_limit


@st.composite
def counts(draw: st.DrawFn) -> tuple[int, int]:
    trials = draw(st.integers(1, 3000))
    return draw(st.integers(0, trials)), trials


@given(counts(), st.floats(1e-6, 0.5))
def test_anytime_interval_holds_the_observed_rate_and_is_wider_than_the_exact_one(
    count: tuple[int, int], delta: float
) -> None:
    successes, trials = count
    low, upper = sequential.anytime_interval(successes, trials, delta=delta)
    assert 0 <= low <= successes / trials <= upper <= 1
    assert upper >= upper_limit(successes, trials, confidence=1 - delta) - 1e-9


@given(counts(), st.floats(1e-4, 0.3))
def test_evidence_rises_with_successes(count: tuple[int, int], limit: float) -> None:
    successes, trials = count
    before = sequential.log_mixture_evidence(successes, trials, limit=limit)
    assert sequential.log_mixture_evidence(successes + 1, trials + 1, limit=limit) > before
    assert sequential.log_mixture_evidence(successes, trials + 1, limit=limit) < before


def test_looking_after_every_trial_keeps_the_false_alarm_rate_and_a_repeated_exact_test_does_not() -> None:
    # Known truth: the rate is exactly the limit. Alarms are counted over 600 looks.
    rng = np.random.default_rng(20310401)
    limit, delta, looks, repeats = 0.05, 0.05, 600, 400
    found = np.cumsum(rng.random((repeats, looks)) < limit, axis=1)
    trials = np.arange(1, looks + 1)
    bounds = [_first_alarm_count(int(t), limit, delta) for t in trials]
    alarms = int((found >= np.array(bounds)).any(axis=1).sum())
    naive = int((binom.sf(found - 1, trials, limit) <= delta).any(axis=1).sum())
    allowed = binom.ppf(1 - 1e-6, repeats, delta)
    assert alarms <= allowed < naive


def _first_alarm_count(trials: int, limit: float, delta: float) -> float:
    hits = (x for x in range(trials + 1) if sequential.has_alarm(x, trials, limit=limit, delta=delta))
    return next(hits, math.inf)


def test_wald_lines_and_ratio_say_the_same() -> None:
    plan = sequential.SprtPlan(low_rate=0.01, high_rate=0.10, alpha=0.05, beta=0.10)
    for trials in range(1, 120):
        for successes in range(trials + 1):
            line = plan.slope * trials
            verdict = (
                "low"
                if successes <= line - plan.accept_intercept
                else "high"
                if successes >= line + plan.refuse_intercept
                else "go on"
            )
            assert plan.decide(successes, trials) == verdict


def test_walds_risks_hold_in_simulation() -> None:
    plan = sequential.SprtPlan(low_rate=0.05, high_rate=0.2, alpha=0.05, beta=0.1)
    rng = np.random.default_rng(7)
    # Wald 1945: the true risks are at most alpha / (1 - beta) and beta / (1 - alpha).
    for rate, wrong, risk in ((0.05, "high", 0.05 / 0.9), (0.2, "low", 0.1 / 0.95)):
        verdicts = [_run(plan, rate, rng) for _ in range(600)]
        assert verdicts.count(wrong) <= binom.ppf(1 - 1e-6, 600, risk)


def _run(plan: sequential.SprtPlan, rate: float, rng: np.random.Generator) -> str:
    found = np.cumsum(rng.random(2000) < rate)
    for trials, successes in enumerate(found, start=1):
        verdict = plan.decide(int(successes), trials)
        if verdict != "go on":
            return verdict
    return "go on"


def test_nothing_seen_is_no_evidence() -> None:
    assert sequential.anytime_interval(0, 0) == (0.0, 1.0)
    assert sequential.log_mixture_evidence(0, 0, limit=0.05) == pytest.approx(0, abs=1e-12)
    assert not sequential.has_alarm(0, 0, limit=0.05, delta=0.05)


def test_impossible_tests_are_refused() -> None:
    with pytest.raises(InputError, match=r"Rates are 0\.2 and 0\.1"):
        sequential.SprtPlan(low_rate=0.2, high_rate=0.1, alpha=0.05, beta=0.1)
    with pytest.raises(InputError, match=r"Risks are 0\.5 and 0\.6"):
        sequential.SprtPlan(low_rate=0.1, high_rate=0.2, alpha=0.5, beta=0.6)
    with pytest.raises(InputError, match="3 of 2 cannot be"):
        sequential.anytime_interval(3, 2)
    with pytest.raises(InputError, match=r"Limit 0\.9 leaves no higher rate"):
        sequential.log_mixture_evidence(1, 2, limit=0.9)
    with pytest.raises(InputError, match=r"Limit is 0\.2, rate 0\.1"):
        sequential.log_evidence(1, 2, limit=0.2, rate=0.1)
    with pytest.raises(InputError, match="Delta is 0"):
        sequential.has_alarm(1, 2, limit=0.2, delta=0.0)
