"""Properties and refusals of the control charts."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.stats import charts

series = st.lists(st.floats(-100, 100), min_size=1, max_size=60)


@given(series, st.floats(0.01, 1))
def test_an_average_stays_inside_its_values(values: list[float], weight: float) -> None:
    found = charts.ewma(values, weight=weight, start=values[0])
    assert min(values) - 1e-9 <= found.min() <= found.max() <= max(values) + 1e-9
    assert charts.ewma(values, weight=1.0, start=0).tolist() == values


@given(series, st.floats(0, 5))
def test_cusum_sums_mirror_when_the_series_does(values: list[float], allowance: float) -> None:
    upper, lower = charts.cusum(values, target=0, allowance=allowance)
    mirrored_upper, mirrored_lower = charts.cusum([-v for v in values], target=0, allowance=allowance)
    assert np.allclose(upper, mirrored_lower, atol=1e-9)
    assert np.allclose(lower, mirrored_upper, atol=1e-9)
    assert (upper >= 0).all()
    assert (lower >= 0).all()


def test_ewma_limits_widen_to_the_steady_ones() -> None:
    low, upper = charts.ewma_limits(200, target=50, deviation=2, weight=0.3)
    steady_low, steady_upper = charts.ewma_steady_limits(target=50, deviation=2, weight=0.3)
    assert (np.diff(upper) >= 0).all()
    assert (np.diff(low) <= 0).all()
    assert (low[-1], upper[-1]) == pytest.approx((steady_low, steady_upper), rel=1e-9)


def test_run_length_agrees_with_simulation() -> None:
    # 400 series of normal values; the mean run length has a standard error of about its mean / sqrt(400).
    rng = np.random.default_rng(5)
    runs = []
    for _ in range(400):
        upper, lower = charts.cusum(rng.normal(1, 1, 200), target=0, allowance=0.5)
        signal = charts.first_signal(np.maximum(upper, lower), 4)
        assert signal is not None
        runs.append(signal + 1)
    expected = charts.cusum_run_length(allowance=0.5, decision=4, shift=1)
    assert np.mean(runs) == pytest.approx(expected, abs=4 * float(np.std(runs)) / 20)


def test_p_chart_takes_days_of_different_size() -> None:
    chart = charts.p_chart([1, 40], [10, 100], centre=0.2)
    assert chart.upper[0] > chart.upper[1]
    assert chart.outside == (1,)


def test_series_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match=r"shape \(0,\)"):
        charts.ewma([], weight=0.3, start=0)
    with pytest.raises(InputError, match="gaps"):
        charts.cusum([1.0, float("nan")], target=0, allowance=1)
    with pytest.raises(InputError, match="Weight is 0"):
        charts.ewma([1.0], weight=0, start=0)
    with pytest.raises(InputError, match="Allowance is -1"):
        charts.cusum([1.0], target=0, allowance=-1)
    with pytest.raises(InputError, match="more events than individuals"):
        charts.p_chart([5], [4])
    with pytest.raises(InputError, match=r"Centre is 1\.5"):
        charts.p_chart([1], [4], centre=1.5)
    with pytest.raises(InputError, match="states 1"):
        charts.cusum_run_length(allowance=0.5, decision=4, states=1)
    with pytest.raises(InputError, match="Deviation is -1"):
        charts.ewma_steady_limits(target=0, deviation=-1, weight=0.3)
