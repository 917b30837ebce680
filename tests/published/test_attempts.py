"""Repeated attempts and escapement, by the closed forms and again by the chain that the season uses."""

from collections.abc import Callable
from typing import NamedTuple

from passage_cv.planning import attempts as a
from passage_cv.planning.fates import Coming, fates, rate_for_passage

TABLE = "attempts"


class Inputs(NamedTuple):
    fish: float
    rate: float
    retry: float
    alike: float
    attempts: int


QUANTITIES: dict[str, Callable[[Inputs], tuple[float, ...]]] = {
    "chance in attempts": lambda r: (a.chance_in_attempts(r.rate, r.attempts),),
    "rate for chance": lambda r: (a.rate_for_chance(r.rate, r.attempts),),
    "expected escapement": lambda r: (a.expected_escapement(r.fish, r.rate, r.attempts),),
    "chance of none": lambda r: (a.chance_of_none(int(r.fish), a.chance_in_attempts(r.rate, r.attempts)),),
    "chance with retries": lambda r: (a.chance_with_retries(r.rate, r.retry),),
    "native passage": lambda r: (a.native_passage(r.rate, r.retry),),
    "chance in attempts alike": lambda r: (a.chance_in_attempts_alike(*a.beta_shape(r.rate, r.alike), r.attempts),),
    "screened shares": lambda r: a.screened_shares(r.rate, r.retry, r.fish),
}

CHAINS: dict[str, Callable[[Inputs], float]] = {
    "chance in attempts": lambda r: _passed(r.rate, Coming(retry=1, max_attempts=r.attempts)),
    "rate for chance": lambda r: rate_for_passage(r.rate, Coming(retry=1, max_attempts=r.attempts)),
    "expected escapement": lambda r: r.fish * _passed(r.rate, Coming(retry=1, max_attempts=r.attempts)),
    "chance of none": lambda r: (1 - _passed(r.rate, Coming(retry=1, max_attempts=r.attempts))) ** r.fish,
    "chance with retries": lambda r: _passed(r.rate, Coming(retry=r.retry)),
    "native passage": lambda r: _passed(1 - r.rate, Coming(retry=r.retry)),
    "chance in attempts alike": lambda r: _passed(r.rate, Coming(retry=1, alike=r.alike, max_attempts=r.attempts)),
}


def _passed(rate: float, coming: Coming) -> float:
    return float(fates(rate, coming).passed[0])


def test_attempts(row: dict[str, str], agrees: Callable[..., None]) -> None:
    inputs = Inputs(
        fish=float(row["fish"] or 0),
        rate=float(row["rate"]),
        retry=float(row["retry"] or 0),
        alike=float(row["alike"] or 0),
        attempts=int(row["attempts"] or 1),
    )
    agrees(row, *QUANTITIES[row["quantity"]](inputs))
    if row["quantity"] in CHAINS:
        agrees(row, CHAINS[row["quantity"]](inputs))
