"""Refusals that all of ``stats`` shares: counts that cannot be, and numbers that are no probability."""

from __future__ import annotations

from typing import SupportsIndex

from passage_cv.errors import InputError


def require_count(value: SupportsIndex, name: str) -> None:
    """Refuse what is not a whole number of 0 or more."""
    if not isinstance(value, SupportsIndex):
        raise InputError(f"{name} is {value!r}", do="Give a whole number.")
    if value.__index__() < 0:
        raise InputError(f"{name} is {value}", do="Give 0 or more.")


def require_part(successes: SupportsIndex, trials: SupportsIndex) -> None:
    """Refuse counts that cannot come from one experiment."""
    require_count(trials, "Number of trials")
    if not isinstance(successes, SupportsIndex):
        raise InputError(f"Number of successes is {successes!r}", do="Give a whole number.")
    if not 0 <= successes.__index__() <= trials.__index__():
        raise InputError(f"{successes} of {trials} cannot be: allowed is 0 to {trials}", do="Check both counts.")


def require_open(value: float, name: str) -> None:
    """Refuse what is not strictly between 0 and 1."""
    if not 0 < value < 1:
        raise InputError(f"{name} is {value}, it must lie between 0 and 1", do="Give e.g. 0.95 or 0.05.")
