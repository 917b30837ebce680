"""A number together with what made it: shown on screens, in JSON and on pages alike."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number of a plan.

    ``value`` is what JSON carries, ``shown`` what a person reads, ``formula`` how it was made (with the numbers
    put in where that helps) and ``source`` where the formula or the input comes from.
    """

    name: str
    value: float | int | None
    shown: str
    formula: str
    source: str


def whole(value: float) -> str:
    """A count for reading, thousands set apart.

    Examples
    --------
    >>> whole(6000.4), whole(59)
    ('6,000', '59')
    """
    return f"{value:,.0f}"


def percent(value: float, *, digits: int = 2, up: bool = False) -> str:
    """A share as a percentage; ``up`` rounds an upper limit upward, never down.

    Examples
    --------
    >>> percent(0.0495076), percent(0.0495076, up=True), percent(0.2, digits=0)
    ('4.95 %', '4.96 %', '20 %')
    """
    scale = 10**digits
    hundredths = value * 100 * scale
    shown = math.ceil(hundredths - 1e-9) if up else round(hundredths)
    return f"{shown / scale:.{digits}f} %"


def level(confidence: float) -> str:
    """A confidence as it was asked for: never rounded up to a whole percentage.

    Examples
    --------
    >>> level(0.95), level(1 - 0.05 / 2), level(0.9999)
    ('95 %', '97.5 %', '99.99 %')
    """
    return f"{100 * confidence:g} %"
