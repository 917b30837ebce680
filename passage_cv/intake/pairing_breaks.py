"""Where one fish's pictures end and the next one's begin, by the pauses between them.

Pure functions of times. A pause between two fish is usually much longer than one between two pictures of a fish;
where it is not, the number of lines decides, and the answer says how little that is worth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

CLEAR = 2.0
"""Times by which the shortest pause between fish exceeds the longest within one where breaks are clear [ours]."""


@dataclass(frozen=True, slots=True)
class Division:
    """Places (from 1) before which a break lies, how sure that is, and why."""

    cuts: tuple[int, ...]
    sure: float
    why: str


def divide(moments: Sequence[datetime | None], n_lines: int) -> Division:
    """Divide pictures in order into series for ``n_lines`` lines in order.

    There may be fewer or more series than lines: clear pauses win over the number of lines.

    Examples
    --------
    >>> from datetime import timedelta
    >>> start = datetime(2031, 5, 11, 20)
    >>> divide([start + timedelta(seconds=s) for s in (0, 4, 60, 63, 130)], 3)
    Division(cuts=(2, 4), sure=0.9, why='3 series by their pauses, 3 lines')
    """
    n = len(moments)
    if n_lines <= 1 or n <= 1:
        return Division((), 0.9 if n_lines == 1 else 0.0, f"all {n} pictures, {n_lines} lines")
    if n == n_lines:
        return Division(tuple(range(1, n)), 0.8, f"a picture a line, {n} of each")
    pauses = _pauses(moments)
    if pauses is None:
        return _in_equal_shares(n, n_lines)
    clear = clear_breaks(pauses)
    if clear is not None:
        sure = 0.9 if len(clear) + 1 == n_lines else 0.4
        return Division(clear, sure, f"{len(clear) + 1} series by their pauses, {n_lines} lines")
    if n < n_lines:
        return Division(tuple(range(1, n)), 0.2, f"only {n} pictures for {n_lines} lines")
    longest = sorted(range(len(pauses)), key=lambda i: -pauses[i])[: n_lines - 1]
    return Division(
        tuple(sorted(i + 1 for i in longest)), 0.3, f"the {n_lines - 1} longest pauses, none of them clear"
    )


def clear_breaks(pauses: Sequence[float]) -> tuple[int, ...] | None:
    """Places before which a pause (s) is clearly longer than the others; None where there is no such difference."""
    known = sorted(max(pause, 1.0) for pause in pauses)
    ratios = [long / short for short, long in pairwise(known)]
    if not ratios or max(ratios) < CLEAR:
        return None
    limit = math.sqrt(known[ratios.index(max(ratios))] * known[ratios.index(max(ratios)) + 1])
    return tuple(i + 1 for i, pause in enumerate(pauses) if pause > limit)


def longest_pause(moments: Sequence[datetime]) -> int:
    """The place (from 1) before which the longest pause lies; 0 for fewer than two pictures."""
    pauses = [(b - a).total_seconds() for a, b in pairwise(moments)]
    return pauses.index(max(pauses)) + 1 if pauses else 0


def _pauses(moments: Sequence[datetime | None]) -> list[float] | None:
    """Seconds between neighbours; None where some time is not known."""
    known = [moment for moment in moments if moment is not None]
    if len(known) < len(moments):
        return None
    return [(b - a).total_seconds() for a, b in pairwise(known)]


def _in_equal_shares(n: int, n_lines: int) -> Division:
    if n < n_lines:
        return Division(tuple(range(1, n)), 0.2, f"only {n} pictures for {n_lines} lines, without times")
    cuts = tuple(dict.fromkeys(round(i * n / n_lines) for i in range(1, n_lines)))
    even = n % n_lines == 0
    return Division(cuts, 0.5 if even else 0.2, f"{n} pictures in equal shares for {n_lines} lines, without times")
