"""Limits and sample sizes against numbers that other programs and books print."""

from collections.abc import Callable
from typing import NamedTuple

from passage_cv.stats import binomial as b

TABLE = "binomial"


class Inputs(NamedTuple):
    misses: int
    shown: int
    limit: float
    confidence: float

    @property
    def delta(self) -> float:
        return 1 - self.confidence


def zero_miss_size(r: Inputs) -> tuple[float, ...]:
    raw = b.success_run_size(reliability=1 - r.limit, confidence=r.confidence)
    return b.trials_needed(limit=r.limit, delta=r.delta), raw


QUANTITIES: dict[str, Callable[[Inputs], tuple[float, ...]]] = {
    "exact interval": lambda r: b.exact_interval(r.misses, r.shown, confidence=r.confidence),
    "wilson interval": lambda r: b.wilson_interval(r.misses, r.shown, confidence=r.confidence),
    "upper limit": lambda r: (b.upper_limit(r.misses, r.shown, confidence=r.confidence),),
    "at most": lambda r: (b.probability_at_most(r.misses, r.shown, r.limit),),
    "allowed rank": lambda r: (b.allowed_rank(r.shown, limit=r.limit, delta=r.delta),),
    "zero-miss size": zero_miss_size,
    "size with misses": lambda r: (b.trials_needed(limit=r.limit, delta=r.delta, misses=r.misses),),
    "rule of three and exact": lambda r: (b.rule_of_three(r.shown), b.upper_limit(0, r.shown)),
    "success run reliability": lambda r: (b.success_run_reliability(r.shown, confidence=r.confidence),),
    "success run size, uniform prior": lambda r: (zero_miss_size(r)[1] - 1,),
    "poisson upper limit": lambda r: (b.poisson_upper_limit(r.misses, confidence=r.confidence),),
    "poisson interval": lambda r: b.poisson_interval(r.misses, confidence=r.confidence),
}


def test_binomial(row: dict[str, str], agrees: Callable[..., None]) -> None:
    inputs = Inputs(
        misses=int(row["misses"] or 0),
        shown=int(row["shown"] or 0),
        limit=float(row["limit"] or "nan"),
        confidence=float(row["confidence"] or "nan"),
    )
    agrees(row, *QUANTITIES[row["quantity"]](inputs))
