"""Control charts: when a daily figure has left its usual range.

Series in the order of time come in; sums, limits and signals go out. A chart says that something changed,
never what: a rising hold rate is often a fouled lens (trade handbook, section 3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from passage_cv.errors import InputError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PChart:
    """Centre, limits per point, and the positions outside them (0 = first)."""

    rates: Floats
    centre: float
    lower: Floats
    upper: Floats
    outside: tuple[int, ...]


def ewma(values: npt.ArrayLike, *, weight: float, start: float) -> Floats:
    """Exponentially weighted moving average ``z = weight * x + (1 - weight) * z_before``.

    Parameters
    ----------
    values
        Shape (n_points,), in the order of time.
    weight
        Weight of the newest value, in (0, 1].
    start
        Average before the first value, usually the target.

    Raises
    ------
    InputError
        If the series is empty or holds gaps, or ``weight`` leaves its range.

    Examples
    --------
    >>> ewma([52.0, 47.0], weight=0.3, start=50).round(2).tolist()
    [50.6, 49.52]
    """
    series = _series(values)
    _require_weight(weight)
    averages = np.empty_like(series)
    last = start
    for i, value in enumerate(series):
        last = weight * value + (1 - weight) * last
        averages[i] = last
    return averages


def ewma_limits(
    n_points: int, *, target: float, deviation: float, weight: float, width: float = 3.0
) -> tuple[Floats, Floats]:
    """Exact lower and upper limits of an EWMA chart for points 1 to ``n_points``.

    They widen toward :func:`ewma_steady_limits`, because early averages vary less.

    Examples
    --------
    >>> low, upper = ewma_limits(1, target=50, deviation=2.0539, weight=0.3)
    >>> round(float(upper[0]), 5)
    51.84851
    """
    low, upper = ewma_steady_limits(target=target, deviation=deviation, weight=weight, width=width)
    points = np.arange(1, n_points + 1)
    share = np.sqrt(1 - (1 - weight) ** (2 * points))
    return target - (target - low) * share, target + (upper - target) * share


def ewma_steady_limits(*, target: float, deviation: float, weight: float, width: float = 3.0) -> tuple[float, float]:
    """Lower and upper limits of a long-running EWMA chart.

    Parameters
    ----------
    target, deviation
        Usual mean and standard deviation of one value.
    weight
        As :func:`ewma`.
    width
        Half width in standard deviations of the average.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.4.

    Examples
    --------
    >>> low, upper = ewma_steady_limits(target=50, deviation=2.0539, weight=0.3)
    >>> round(upper, 4)
    52.5884
    """
    _require_weight(weight)
    if not (deviation >= 0 and width > 0):
        raise InputError(f"Deviation is {deviation}, width {width}", do="Give 0 or more, and more than 0.")
    half = width * deviation * math.sqrt(weight / (2 - weight))
    return target - half, target + half


def cusum(values: npt.ArrayLike, *, target: float, allowance: float) -> tuple[Floats, Floats]:
    """Tabular cumulative sums above and below a target.

    Parameters
    ----------
    values
        Shape (n_points,), in the order of time.
    target
        Usual mean.
    allowance
        Slack K taken off each step: half the shift one wants to see, in the unit of the values.

    Returns
    -------
    tuple of arrays
        Upper sums ``max(0, S + x - target - K)`` and lower sums ``max(0, S + target - K - x)``.

    References
    ----------
    Page 1954, Biometrika 41:100; tabular form as in Montgomery, Introduction to Statistical Quality Control.

    Examples
    --------
    >>> upper, lower = cusum([9.45, 7.99, 9.29, 11.66], target=10, allowance=0.5)
    >>> upper.round(2).tolist(), lower.round(2).tolist()
    ([0.0, 0.0, 0.0, 1.16], [0.05, 1.56, 1.77, 0.0])
    """
    series = _series(values)
    if not allowance >= 0:
        raise InputError(f"Allowance is {allowance}", do="Give 0 or more.")
    upper, lower = np.empty_like(series), np.empty_like(series)
    above = below = 0.0
    for i, value in enumerate(series):
        above = max(0.0, above + value - target - allowance)
        below = max(0.0, below + target - allowance - value)
        upper[i], lower[i] = above, below
    return upper, lower


def first_signal(sums: npt.ArrayLike, decision: float) -> int | None:
    """Position (0 = first) of the first sum above the decision interval, or None.

    Examples
    --------
    >>> first_signal([0.0, 4.47, 5.28], 5.0), first_signal([0.0, 4.47], 5.0)
    (2, None)
    """
    over = np.flatnonzero(np.asarray(sums, dtype=np.float64) > decision)
    return int(over[0]) if len(over) else None


def cusum_run_length(*, allowance: float, decision: float, shift: float = 0.0, states: int = 600) -> float:
    """Mean number of normal values until a two-sided tabular CUSUM signals.

    Parameters
    ----------
    allowance, decision
        K and H in standard deviations.
    shift
        True shift of the mean in standard deviations; 0 gives the time to a false alarm.
    states
        Cells of the Markov chain that stands for the sum; more are finer.

    Raises
    ------
    InputError
        If an argument leaves its range.

    References
    ----------
    Brook & Evans 1972, Biometrika 59:539; two sides joined as in Lucas & Crosier 1982, Technometrics 24:199.

    Examples
    --------
    >>> round(cusum_run_length(allowance=0.5, decision=4), 1), round(
    ...     cusum_run_length(allowance=0.5, decision=4, shift=1), 2
    ... )
    (167.7, 8.38)
    """
    if not (allowance >= 0 and decision > 0 and states >= 2):
        raise InputError(
            f"Allowance {allowance}, decision {decision}, states {states}", do="Give 0, above 0, 2 or more."
        )
    up, down = (_one_sided_run_length(allowance, decision, s, states) for s in (shift, -shift))
    return 1 / (1 / up + 1 / down)


def p_chart(
    counts: npt.ArrayLike, sizes: npt.ArrayLike, *, centre: float | None = None, width: float = 3.0
) -> PChart:
    """Chart of daily shares, for example the hold rate.

    Parameters
    ----------
    counts
        Events per point, shape (n_points,).
    sizes
        Individuals per point: one number or shape (n_points,).
    centre
        Usual share from an earlier period; by default the share of these points themselves.
    width
        Half width in binomial standard deviations; the lower limit stops at 0, the upper at 1.

    Raises
    ------
    InputError
        If counts and sizes cannot be, or ``centre`` is no share.

    References
    ----------
    Montgomery, Introduction to Statistical Quality Control; NIST/SEMATECH e-Handbook 6.3.3.2.

    Examples
    --------
    >>> chart = p_chart([12, 15, 8, 30], 50, centre=0.2)
    >>> chart.outside, round(float(chart.upper[0]), 4)
    ((3,), 0.3697)
    """
    found = _series(counts)
    shown = np.broadcast_to(np.asarray(sizes, dtype=np.float64), found.shape)
    if not ((shown >= 1) & (found >= 0) & (found <= shown)).all():
        raise InputError("A point has more events than individuals, or none", do="Check counts and sizes.")
    middle = float(found.sum() / shown.sum()) if centre is None else centre
    if not 0 <= middle <= 1:
        raise InputError(f"Centre is {centre}, allowed is 0 to 1", do="Give a share.")
    half = width * np.sqrt(middle * (1 - middle) / shown)
    lower, upper = np.maximum(0.0, middle - half), np.minimum(1.0, middle + half)
    rates = found / shown
    outside = np.flatnonzero((rates < lower) | (rates > upper))
    return PChart(rates, middle, lower, upper, tuple(int(i) for i in outside))


def _one_sided_run_length(allowance: float, decision: float, shift: float, states: int) -> float:
    # State 0 is a sum of zero, state i the cell centred at i * cell; the top cell ends at the decision.
    cell = 2 * decision / (2 * states - 1)
    steps = np.arange(states)
    gap = (steps[None, :] - steps[:, None]) * cell + allowance - shift
    below = special.ndtr(gap + cell / 2)
    moves = below - special.ndtr(gap - cell / 2)
    moves[:, 0] = below[:, 0]
    return float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])


def _series(values: npt.ArrayLike) -> Floats:
    series = np.asarray(values, dtype=np.float64)
    if series.ndim != 1 or len(series) == 0 or not np.isfinite(series).all():
        raise InputError(f"Series has shape {series.shape} or gaps", do="Give one number per point, no gaps.")
    return series


def _require_weight(weight: float) -> None:
    if not 0 < weight <= 1:
        raise InputError(f"Weight is {weight}, allowed is above 0 to 1", do="Give e.g. 0.3.")
