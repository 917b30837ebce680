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
from scipy import stats

from passage_cv.records import Action
from passage_cv.service.log import LogLine
from passage_cv.stats.charts import Floats, ewma, ewma_limits

BASELINE_DAYS = 5
"""Fewest days that say what is usual [ours]."""
LEAST_PER_DAY = 10
"""A day with fewer presentations has no share worth charting [ours]."""
SIGMAS = 3.0
"""Half width of the charts, in standard deviations [handbook 3]."""
EWMA_WEIGHT = 0.3
"""Weight of the newest day, as in NIST/SEMATECH e-Handbook 6.3.2.4."""


@dataclass(frozen=True, slots=True)
class Day:
    """One day of the log; scores only of presentations that had one, ``top`` the class with the highest logit."""

    date: str
    n: int
    held: int
    no_decision: int
    mean_score: float | None
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


def drift_report(lines: Iterable[LogLine], *, baseline_days: int = BASELINE_DAYS) -> DriftReport:
    """Chart hold rate, shares of the classes seen, and the mean score by day against the first days.

    With no more days than the baseline nothing can be compared, and ``baseline`` is 0.
    """
    days = daily(lines)
    if len(days) <= baseline_days:
        return DriftReport(days, 0, ())
    rates = [("hold rate", [day.held for day in days]), *_class_counts(days)]
    signals = [signal for name, counts in rates for signal in _rate_signals(name, counts, days, baseline_days)]
    signals += _score_signals(days, baseline_days)
    return DriftReport(days, baseline_days, tuple(sorted(signals, key=lambda one: (one.date, one.chart))))


def daily(lines: Iterable[LogLine]) -> tuple[Day, ...]:
    """The log by local day, in order of date."""
    by_date: dict[str, list[LogLine]] = {}
    for line in lines:
        by_date.setdefault(line.time[:10], []).append(line)
    return tuple(_day(date, by_date[date]) for date in sorted(by_date))


def _day(date: str, lines: Sequence[LogLine]) -> Day:
    return Day(
        date=date,
        n=len(lines),
        held=sum(line.action is Action.HOLD for line in lines),
        no_decision=sum(line.action is Action.NO_DECISION for line in lines),
        mean_score=_mean(line.score for line in lines),
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


def _score_signals(days: Sequence[Day], baseline: int) -> list[Signal]:
    """Days after the baseline whose moving average of the mean score has left its limits."""
    scored = [day for day in days if day.mean_score is not None]
    means = np.array([day.mean_score for day in scored], dtype=np.float64)
    if len(scored) <= baseline:
        return []
    usual = float(means[:baseline].mean())
    later = ewma(means[baseline:], weight=EWMA_WEIGHT, start=usual)
    halves = _ewma_halves(len(later), float(means[:baseline].std(ddof=1)), baseline)
    return [
        Signal("mean score", day.date, float(value), usual - float(half), usual + float(half))
        for day, value, half in zip(scored[baseline:], later, halves, strict=True)
        if abs(value - usual) > half
    ]


def _ewma_halves(n_points: int, deviation: float, baseline: int) -> Floats:
    """Half widths of an EWMA chart whose target and deviation were estimated from a few days.

    The usual factor 3 would call two quiet gates in five changed within 20 days of a baseline of 5: the estimated
    target adds its own variance, and Student's t stands in for the normal (simulated in the tests).
    """
    _, steady = ewma_limits(n_points, target=0.0, deviation=1.0, weight=EWMA_WEIGHT, width=1.0)
    moved = 1 - (1 - EWMA_WEIGHT) ** np.arange(1, n_points + 1)
    factor = float(stats.t.ppf(stats.norm.cdf(SIGMAS), baseline - 1))
    return np.asarray(factor * deviation * np.hypot(steady, moved / math.sqrt(baseline)))


def _mean(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
