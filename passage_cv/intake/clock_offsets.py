"""The offset of a camera's clock that best explains the times of single lines.

Comes in: when lines say their fish was in hand, when one camera took its pictures, both in seconds on the site's
clock. Goes out: an offset with its evidence in numbers, or None. Nothing is shifted here.

Offsets are counted by the lines that then have a picture near them. A clock set wrongly is most often wrong by whole
or half hours (summer time, another zone), so these are preferred where they explain as much as any other.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from passage_cv.errors import InputError

MOST_HOURS = 14
"""Offsets of zones reach from -12 to +14 hours."""
LEAST_HALF_HOURS = 3
"""Lines with times of their own below which no offset is looked for [ours]."""
LEAST_OTHERS = 6
"""Lines below which only whole and half hours are looked for: any three times fit some offset [ours]."""
EXPLAINED = 0.7
"""Part of the lines that could be met that an offset must explain [ours]."""
GAIN = 0.3
"""Part of the lines by which it must explain more than the clock as it is [ours]."""
HANDLING_S = 300.0
"""Offsets up to this are how long a fish waits for its picture, not a clock: none is proposed [ours]."""
ROUND_S = 45.0
"""Seconds by which a rounder offset may fit worse and still be the one meant [ours: times written to the minute]."""
NEAR_S = (120.0, 60.0, 30.0)
"""Seconds within which a picture is near its line: the first that is at most a third of the usual gap of lines."""
_MOST_VOTERS = 200
_PEAKS = 20
_PAUSE_S = 30.0
_HANDLING = (-300.0, -240.0, -180.0, -120.0, -60.0, -30.0, 30.0, 60.0, 120.0, 180.0, 240.0, 300.0)
_OFFSET = re.compile(r"([+-]?)(\d{1,3}):([0-5]\d)(?::([0-5]\d))?")

Seconds = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BetterClock:
    """Seconds to add, and how many of the lines then, and as it is, have a picture within ``near_s``."""

    seconds: float
    then: int
    now: int
    lines: int
    near_s: float


@dataclass(frozen=True, slots=True)
class _Fit:
    seconds: float
    lines: int
    met: int
    residual: float


def better_clock(lines: Sequence[float], shots: Sequence[float]) -> BetterClock | None:
    """The offset under which clearly more lines have a picture near them; None where there is none.

    Parameters
    ----------
    lines
        Seconds, one for each line that has a time of its own, in any order.
    shots
        Seconds, one for each picture of the one camera, in any order.

    Examples
    --------
    >>> lines = [0, 300, 660, 900, 1320, 1500, 2100]
    >>> better_clock(lines, [one - 3600 + 20 for one in lines])
    BetterClock(seconds=3600.0, then=7, now=0, lines=7, near_s=60.0)
    >>> better_clock(lines, [one + 40 for one in lines]) is None
    True
    """
    said, taken = np.unique(np.asarray(lines, dtype=np.float64)), np.sort(np.asarray(shots, dtype=np.float64))
    if len(said) < LEAST_HALF_HOURS or not len(taken):
        return None
    near = near_seconds(said)
    bursts = taken[np.concatenate([[True], np.diff(taken) > min(_PAUSE_S, near)])]
    most = min(len(said), len(bursts))
    if most < LEAST_HALF_HOURS:
        return None
    now = [_fit(said, taken, bursts, one, near) for one in (0.0, *_HANDLING)]
    tried = [one for one in _candidates(said, bursts, near, most) if abs(one) > HANDLING_S]
    best = _choose([_fit(said, taken, bursts, one, near) for one in tried])
    if best.met < EXPLAINED * most or best.met - max(one.met for one in now) < max(2.0, GAIN * most):
        return None
    return BetterClock(best.seconds, best.lines, now[0].lines, len(said), near)


def near_seconds(said: Seconds) -> float:
    """How near a picture must be to its line: less where lines follow each other quickly."""
    gap = float(np.median(np.diff(said)))
    return next((near for near in NEAR_S if near <= gap / 3), NEAR_S[-1])


def parse_offset(text: str) -> float:
    """Seconds to add to a clock, from hours and minutes with a sign.

    Raises
    ------
    InputError
        If the text is not of that kind.

    Examples
    --------
    >>> parse_offset("+1:00"), parse_offset("-0:58:30"), parse_offset("7:00")
    (3600.0, -3510.0, 25200.0)
    """
    found = _OFFSET.fullmatch(text.strip().replace("\N{MINUS SIGN}", "-").replace(" ", ""))
    if not found:
        raise InputError(f"{text[:40]!r} is no offset", where="clock", do="Write hours and minutes, such as +1:00.")
    seconds = int(found[2]) * 3600 + int(found[3]) * 60 + int(found[4] or 0)
    return float(-seconds if found[1] == "-" else seconds)


def offset_text(seconds: float) -> str:
    """An offset as :func:`parse_offset` reads it.

    Examples
    --------
    >>> offset_text(3600), offset_text(-3510), offset_text(0)
    ('+1:00', '-0:58:30', '+0:00')
    """
    whole = round(abs(seconds))
    rest = f":{whole % 60:02d}" if whole % 60 else ""
    return f"{'-' if seconds < 0 else '+'}{whole // 3600}:{whole // 60 % 60:02d}{rest}"


def _candidates(said: Seconds, bursts: Seconds, near: float, most: int) -> list[float]:
    """Whole and half hours, and where there are lines enough the differences that most lines and pictures share."""
    halves = [1800.0 * k for k in range(-2 * MOST_HOURS, 2 * MOST_HOURS + 1) if k]
    if most < LEAST_OTHERS:
        return halves
    voters = said[np.unique(np.linspace(0, len(said) - 1, min(_MOST_VOTERS, len(said))).astype(int))]
    votes = (voters[:, None] - bursts[None, :]).ravel()
    votes = votes[np.abs(votes) <= MOST_HOURS * 3600]
    if not len(votes):
        return halves
    cells, counts = np.unique(np.round(votes / near), return_counts=True)
    peaks = cells[np.argsort(-counts, kind="stable")[:_PEAKS]] * near
    exact = [float(np.median(votes[np.abs(votes - peak) <= near])) for peak in peaks]
    minutes = [60.0 * round(one / 60) for one in exact]
    return [*halves, *minutes, *(float(round(one)) for one in exact)]


def _fit(said: Seconds, taken: Seconds, bursts: Seconds, seconds: float, near: float) -> _Fit:
    """How many lines have a picture near them, and how many of lines and series of pictures meet."""
    gaps = _to_nearest(said, taken + seconds)
    lines = int(np.sum(gaps <= near))
    met = min(lines, int(np.sum(_to_nearest(bursts + seconds, said) <= near)))
    return _Fit(seconds, lines, met, float(np.median(gaps)))


def _to_nearest(points: Seconds, others: Seconds) -> Seconds:
    """For each point the distance to the nearest of others, which ascend."""
    after = np.searchsorted(others, points).clip(0, len(others) - 1)
    before = (after - 1).clip(0)
    return np.asarray(np.minimum(np.abs(others[after] - points), np.abs(others[before] - points)))


def _choose(fits: Sequence[_Fit]) -> _Fit:
    """The offset that explains most; a rounder one where it explains as much and as closely."""
    top = max(fits, key=lambda one: (one.met, -one.residual))
    equal = [one for one in fits if one.met >= top.met - 1 and one.residual <= top.residual + ROUND_S]
    return min(equal, key=lambda one: (_roughness(one.seconds), -one.met, abs(one.seconds)))


def _roughness(seconds: float) -> int:
    return next((i for i, unit in enumerate((3600, 1800, 60)) if seconds % unit == 0), 3)
