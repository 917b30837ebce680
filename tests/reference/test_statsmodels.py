"""Our intervals, paired tests and kappas against statsmodels on seeded random inputs."""

import numpy as np
import pytest
from statsmodels.stats import contingency_tables, inter_rater, proportion

from passage_cv.stats import agreement, binomial

CASES = range(25)


@pytest.mark.parametrize("case", CASES)
def test_exact_and_wilson_intervals(case: int) -> None:
    rng = np.random.default_rng([1, case])
    trials = int(rng.integers(1, 3000))
    successes = int(rng.integers(0, trials + 1)) if case % 3 else int(rng.integers(0, min(trials, 4) + 1))
    confidence = float(rng.uniform(0.5, 0.999))
    for ours, method in ((binomial.exact_interval, "beta"), (binomial.wilson_interval, "wilson")):
        theirs = proportion.proportion_confint(successes, trials, alpha=1 - confidence, method=method)
        assert ours(successes, trials, confidence=confidence) == pytest.approx(theirs, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("case", CASES)
def test_one_sided_limits_are_the_ends_of_a_wider_interval(case: int) -> None:
    rng = np.random.default_rng([2, case])
    trials = int(rng.integers(1, 3000))
    successes = int(rng.integers(0, trials + 1))
    low, upper = proportion.proportion_confint(successes, trials, alpha=0.10, method="beta")
    assert binomial.lower_limit(successes, trials) == pytest.approx(low, rel=1e-9, abs=1e-12)
    assert binomial.upper_limit(successes, trials) == pytest.approx(upper, rel=1e-9)


@pytest.mark.parametrize("case", CASES)
def test_mcnemar(case: int) -> None:
    rng = np.random.default_rng([3, case])
    b, c = (int(x) for x in rng.integers(0, 40, size=2))
    b += b == c == 0
    table = [[5, b], [c, 9]]
    exact = contingency_tables.mcnemar(table, exact=True)
    assert agreement.mcnemar_exact(b, c) == pytest.approx(exact.pvalue, rel=1e-9)
    plain = contingency_tables.mcnemar(table, exact=False, correction=False)
    assert agreement.mcnemar_asymptotic(b, c) == pytest.approx((plain.statistic, plain.pvalue), rel=1e-9)
    if b != c:  # at b == c statsmodels corrects away from zero: (0 - 1)^2
        corrected = contingency_tables.mcnemar(table, exact=False, correction=True)
        ours = agreement.mcnemar_corrected(b, c)
        assert ours == pytest.approx((corrected.statistic, corrected.pvalue), rel=1e-9)


@pytest.mark.parametrize("case", CASES)
def test_cohen_kappa(case: int) -> None:
    rng = np.random.default_rng([4, case])
    classes = int(rng.integers(2, 7))
    table = rng.integers(0, 30, size=(classes, classes)) + 20 * np.eye(classes, dtype=int)
    theirs = inter_rater.cohens_kappa(table)
    ours = agreement.cohen_kappa(table)
    found = (ours.value, ours.standard_error, ours.low, ours.upper)
    printed = (theirs.kappa, theirs.std_kappa, theirs.kappa_low, theirs.kappa_upp)
    assert found == pytest.approx(printed, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("case", CASES)
def test_fleiss_kappa(case: int) -> None:
    rng = np.random.default_rng([5, case])
    classes, readers = int(rng.integers(2, 6)), int(rng.integers(2, 9))
    table = rng.multinomial(readers, np.full(classes, 1 / classes), size=int(rng.integers(3, 40)))
    theirs = inter_rater.fleiss_kappa(table, method="fleiss")
    assert agreement.fleiss_kappa(table) == pytest.approx(theirs, rel=1e-9, abs=1e-12)
