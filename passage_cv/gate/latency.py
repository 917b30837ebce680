"""How long this computer takes from the bytes of a presentation's pictures to its action."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from passage_cv.gate.runtime import Package
from passage_cv.progress import Progress, silent, tracked

TIMED_RUNS = 120
"""Presentations timed; more than a hundred, so that the slowest one in a hundred is one that was seen."""


@dataclass(frozen=True, slots=True)
class Latency:
    """Milliseconds from the bytes of a presentation's pictures to its action."""

    n: int
    p50_ms: float
    p95_ms: float
    p99_ms: float


def measure_latency(
    package: Package, presentations: Sequence[Sequence[bytes]], progress: Progress = silent
) -> Latency:
    """Time decisions over and over the same presentations; the first, which pays for loading, is not counted."""
    package.decide(presentations[0])
    turns = tracked(range(TIMED_RUNS), "Timing", progress)
    return summarise([package.decide(presentations[n % len(presentations)]).latency_ms for n in turns])


def summarise(times_ms: Sequence[float]) -> Latency:
    """Times that were seen, never ones between two.

    Examples
    --------
    >>> summarise([float(n) for n in range(1, 101)])
    Latency(n=100, p50_ms=51.0, p95_ms=96.0, p99_ms=100.0)
    """
    p50, p95, p99 = (float(value) for value in np.percentile(times_ms, (50, 95, 99), method="higher"))
    return Latency(n=len(times_ms), p50_ms=p50, p95_ms=p95, p99_ms=p99)
