"""Has something changed at the gate: control charts of daily figures from the gate log.

A chart says that a day is unlike the days it is compared with, never why: a rising hold rate is often a fouled
lens or a new part of the run, not a fault of the model (trade handbook, section 3).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from passage_cv.records import Action
from passage_cv.service.log import LogLine
from passage_cv.stats.charts import Floats, cusum, ewma, ewma_limits

BASELINE_DAYS = 5
"""Fewest days that say what is usual [ours]."""
LEAST_PER_DAY = 10
"""A day with fewer presentations has no share worth charting [ours]."""
SIGMAS = 3.0
"""Half width of the charts, in standard deviations [handbook 3]."""
EWMA_WEIGHT = 0.3
"""Weight of the newest day, as in NIST/SEMATECH e-Handbook 6.3.2.4."""
CUSUM_ALLOWANCE, CUSUM_DECISION = 0.5, 5.0
"""In standard deviations [handbook 3]: a quiet gate signals once in about 465 days."""
MEANS = ("score", "sharpness", "unfamiliarity")
"""Figures of a presentation whose daily mean is charted."""


@dataclass(frozen=True, slots=True)
class Day:
    """One day of the log; ``means`` of presentations that had a figure, ``top`` the class with the highest logit."""

    date: str
    n: int
    held: int
    no_decision: int
    means: Mapping[str, float | None]
    mean_turbidity_ntu: float | None
    top: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Signal:
    """One day outside the limits of one chart."""

    chart: str
    date: str
    value: float
    low: float
    upper: float


@dataclass(frozen=True, slots=True)
class DriftReport:
    """The days, and those that stand out; ``baseline`` is how many first days said what is usual, 0 for too few."""

    days: tuple[Day, ...]
    baseline: int
    signals: tuple[Signal, ...]


def drift_report(
    lines: Iterable[LogLine], *, sharpness: Mapping[str, float] | None = None, baseline_days: int = BASELINE_DAYS
) -> DriftReport:
    """Chart hold rate, shares of the classes seen, mean score, sharpness and unfamiliarity by day.

    ``sharpness`` is by presentation. The first days say what is usual; with no more days than those nothing can be
    compared, and ``baseline`` is 0.
    """
    days = daily(lines, sharpness=sharpness)
    if len(days) <= baseline_days:
        return DriftReport(days, 0, ())
    rates = [("hold rate", [day.held for day in days]), *_class_counts(days)]
    signals = [signal for name, counts in rates for signal in _rate_signals(name, counts, days, baseline_days)]
    signals += [signal for name in MEANS for signal in _mean_signals(name, days, baseline_days)]
    return DriftReport(days, baseline_days, tuple(sorted(signals, key=lambda one: (one.date, one.chart))))


def daily(lines: Iterable[LogLine], *, sharpness: Mapping[str, float] | None = None) -> tuple[Day, ...]:
    """The log by local day, in order of date."""
    by_date: dict[str, list[LogLine]] = {}
    for line in lines:
        by_date.setdefault(line.time[:10], []).append(line)
    return tuple(_day(date, by_date[date], sharpness or {}) for date in sorted(by_date))


def _day(date: str, lines: Sequence[LogLine], sharpness: Mapping[str, float]) -> Day:
    return Day(
        date=date,
        n=len(lines),
        held=sum(line.action is Action.HOLD for line in lines),
        no_decision=sum(line.action is Action.NO_DECISION for line in lines),
        means={
            "score": _mean(line.score for line in lines),
            "sharpness": _mean(sharpness.get(line.presentation_id) for line in lines),
            "unfamiliarity": _mean(line.unfamiliarity for line in lines),
        },
        mean_turbidity_ntu=_mean(line.turbidity_NTU for line in lines),
        top=dict(Counter(top for line in lines if (top := _top_class(line)))),
    )


def _top_class(line: LogLine) -> str:
    """The class with the highest mean logit, ``""`` where nothing was scored."""
    means = {name: sum(values) / len(values) for name, values in line.logits.items() if values}
    known = {name: mean for name, mean in means.items() if math.isfinite(mean)}
    return max(known, key=known.__getitem__) if known else ""


def _class_counts(days: Sequence[Day]) -> list[tuple[str, list[int]]]:
    names = sorted({name for day in days for name in day.top})
    return [(f"share seen as {name}", [day.top.get(name, 0) for day in days]) for name in names]


def _rate_signals(name: str, counts: Sequence[int], days: Sequence[Day], baseline: int) -> list[Signal]:
    """Days after the baseline whose share lies outside three standard deviations of its difference from it."""
    shown = sum(day.n for day in days[:baseline])
    usual = (sum(counts[:baseline]) + 1) / (shown + 2)  # never seen in a few days is not impossible (Laplace)
    signals = []
    for day, count in zip(days[baseline:], counts[baseline:], strict=True):
        half = SIGMAS * math.sqrt(usual * (1 - usual) * (1 / day.n + 1 / shown))
        low, upper = max(0.0, usual - half), min(1.0, usual + half)
        if day.n >= LEAST_PER_DAY and not low <= count / day.n <= upper:
            signals.append(Signal(name, day.date, count / day.n, low, upper))
    return signals


def _mean_signals(name: str, days: Sequence[Day], baseline: int) -> list[Signal]:
    """Days after the baseline at which the EWMA or the CUSUM of a daily mean has left its limits."""
    dates = [day.date for day in days if day.means[name] is not None]
    means = np.array([day.means[name] for day in days if day.means[name] is not None], dtype=np.float64)
    if len(means) <= baseline:
        return []
    return [*_ewma_signals(name, dates, means, baseline), *_cusum_signals(name, dates, means, baseline)]


def _ewma_signals(name: str, dates: Sequence[str], means: Floats, baseline: int) -> list[Signal]:
    usual = float(means[:baseline].mean())
    later = ewma(means[baseline:], weight=EWMA_WEIGHT, start=usual)
    halves = _ewma_halves(len(later), float(means[:baseline].std(ddof=1)), baseline)
    return [
        Signal(f"mean {name}", date, float(value), usual - float(half), usual + float(half))
        for date, value, half in zip(dates[baseline:], later, halves, strict=True)
        if abs(value - usual) > half
    ]


def _cusum_signals(name: str, dates: Sequence[str], means: Floats, baseline: int) -> list[Signal]:
    """Sums of days in standard deviations; they find what creeps, which no single day shows."""
    steps = standardised(means)[baseline - 2 :]
    sums = np.stack(cusum(steps, target=0.0, allowance=CUSUM_ALLOWANCE)).max(axis=0)
    return [
        Signal(f"mean {name}, summed", date, float(value), 0.0, CUSUM_DECISION)
        for date, value in zip(dates[baseline:], sums, strict=True)
        if value > CUSUM_DECISION
    ]


def standardised(values: Floats) -> Floats:
    """Each value from the third on, compared with all before it: independent standard normal while nothing changes.

    No long baseline is needed: Student's t of a new value against the mean and deviation of the earlier ones, turned
    into a normal deviate (Q chart).

    References
    ----------
    From memory of: Quesenberry 1991, Journal of Quality Technology 23:213, both parameters unknown.

    Examples
    --------
    >>> standardised(np.array([1.0, 3.0, 2.0, 2.0])).tolist()
    [0.0, 0.0]
    """
    places = np.arange(2, len(values))
    apart = np.array([values[n] - values[:n].mean() for n in places]) * np.sqrt(places / (places + 1))
    deviations = np.array([values[:n].std(ddof=1) for n in places])
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(apart == 0, 0.0, apart / deviations)
    return np.asarray(ndtri(np.clip(stdtr(places - 1, t), 1e-9, 1 - 1e-9)))


def _ewma_halves(n_points: int, deviation: float, baseline: int) -> Floats:
    """Half widths of an EWMA chart whose target and deviation were estimated from a few days.

    The usual factor 3 would call two quiet gates in five changed within 20 days of a baseline of 5: the estimated
    target adds its own variance, and Student's t stands in for the normal (simulated in the tests).
    """
    _, steady = ewma_limits(n_points, target=0.0, deviation=1.0, weight=EWMA_WEIGHT, width=1.0)
    moved = 1 - (1 - EWMA_WEIGHT) ** np.arange(1, n_points + 1)
    factor = float(stdtrit(baseline - 1, ndtr(SIGMAS)))
    return np.asarray(factor * deviation * np.hypot(steady, moved / math.sqrt(baseline)))


def _mean(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
