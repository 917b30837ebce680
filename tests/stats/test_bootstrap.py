"""The cluster bootstrap agrees with SciPy's where clusters are single fish, and is wider where fish come in trips."""

import numpy as np
import pytest
from scipy.stats import bootstrap

from passage_cv.errors import InputError
from passage_cv.stats.bootstrap import bootstrap_mean


def test_single_fish_agree_with_scipy() -> None:
    values = np.random.default_rng(1).exponential(2.0, 150)
    ours = bootstrap_mean(values, np.zeros(150, np.intp), np.arange(150), np.ones(1), repeats=20_000)
    theirs = bootstrap(
        (values,), np.mean, method="percentile", n_resamples=20_000, rng=np.random.default_rng(2)
    ).confidence_interval
    assert ours.value == pytest.approx(values.mean())
    length = theirs.high - theirs.low
    assert abs(ours.low - theirs.low) < 0.05 * length  # two seeds of 20,000 redrawings each
    assert abs(ours.upper - theirs.high) < 0.05 * length


def test_shares_weigh_the_strata() -> None:
    values = np.array([1.0, 1.0, 1.0, 5.0])
    stratum = np.array([0, 0, 0, 1])
    found = bootstrap_mean(values, stratum, np.arange(4), np.array([0.9, 0.1]))
    assert found.value == pytest.approx(0.9 * 1 + 0.1 * 5)


def test_fish_that_share_a_trip_are_worth_less() -> None:
    rng = np.random.default_rng(3)
    trip = np.repeat(np.arange(20), 25)
    values = rng.normal(0, 1, 20)[trip] + rng.normal(0, 0.2, 500)
    zeros = np.zeros(500, np.intp)
    by_fish = bootstrap_mean(values, zeros, np.arange(500), np.ones(1))
    by_trip = bootstrap_mean(values, zeros, trip, np.ones(1))
    # standard errors in closed form: sqrt(1.04 / 500) and sqrt(1 / 20 + 0.04 / 500)
    assert (by_trip.upper - by_trip.low) / (by_fish.upper - by_fish.low) > 3


def test_one_trip_is_refused() -> None:
    with pytest.raises(InputError, match="1 cluster cannot be redrawn"):
        bootstrap_mean(np.ones(3), np.zeros(3, np.intp), np.zeros(3, np.intp), np.ones(1))
