"""Reasons to distrust a pairing as a whole: said before anybody confirms it, and answered by a person.

A series that asks to be looked at is one thing; a camera's clock that is an hour off makes every series wrong and
each of them look right. Pure functions of a timeline as it stands now: what a correction mends is no doubt any more.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from statistics import median

from passage_cv.errors import InputError
from passage_cv.intake.timeline import Answer, Doubt, Timeline

MOSTLY_FREE = 0.5
"""Part of the lines above which lines without pictures put the whole pairing in doubt [ours]."""
LEAST_FREE = 2
MANY_TIMES = 4
"""A line with this many times the pictures of the usual line has those of several fish [ours]."""
LEAST_MANY = 8
"""Pictures of one line below which their number is never doubted [ours: a careful crew takes six]."""


def doubts_of(timeline: Timeline) -> tuple[Doubt, ...]:
    """All doubts about the pairing as it stands, answered or not."""
    return (*timeline.clock_doubts, *_mostly_free(timeline), *_too_many(timeline))


def open_doubts(timeline: Timeline) -> tuple[Doubt, ...]:
    """Doubts that nobody answered yet; an answer holds as long as the doubt reads the same."""
    answered = {one.said for one in timeline.answers}
    return tuple(one for one in doubts_of(timeline) if one.said not in answered)


def answer_doubt(timeline: Timeline, said: str, why: str, *, who: str = "") -> Timeline:
    """Say why the pairing is right in spite of a doubt.

    Raises
    ------
    InputError
        If there is no such doubt any more, or no reason.
    """
    if said not in {one.said for one in doubts_of(timeline)}:
        raise InputError(f"There is no such doubt: {said[:80]!r}", where="pairing", do="Load the page again.")
    if not why.strip():
        raise InputError("A doubt is answered with a reason", where="pairing", do="Say why the pairing is right.")
    others = [one for one in timeline.answers if one.said != said]
    return replace(timeline, answers=(*others, Answer(said, why.strip(), who)))


def require_answered(timeline: Timeline, *, do: str) -> None:
    """Refuse to confirm a pairing of which a doubt is open.

    Raises
    ------
    InputError
        With every open doubt.
    """
    doubts = open_doubts(timeline)
    if doubts:
        said = "; ".join(one.said for one in doubts)
        raise InputError(f"The pairing is in doubt: {said}", where="pairing", do=do)


def crowded_series(timeline: Timeline) -> tuple[int, ...]:
    """Places of series of which the line gets many times the pictures of other lines, where no person said so."""
    pictures: Counter[int] = Counter()
    for one in timeline.series:
        if one.row is not None:
            pictures[one.row] += len(one.images)
    return tuple(
        place
        for place, one in enumerate(timeline.series)
        if one.row is not None and not one.by_hand and _is_many(pictures, one.row)
    )


def _mostly_free(timeline: Timeline) -> list[Doubt]:
    free, n = len(timeline.empty_rows), len(timeline.lines)
    if free < LEAST_FREE or free <= MOSTLY_FREE * n:
        return []
    return [Doubt(f"{free} of {n} lines stay without a picture")]


def _too_many(timeline: Timeline) -> list[Doubt]:
    rows = dict.fromkeys(timeline.series[place].row for place in crowded_series(timeline))
    if not rows:
        return []
    sizes = {row: sum(len(one.images) for one in timeline.series if one.row == row) for row in rows}
    row = max(sizes, key=lambda one: sizes[one])
    others = [len(one.images) for one in timeline.series if one.row != row and one.row is not None]
    return [Doubt(f"Row {row} gets {sizes[row]} pictures, other lines get {median(others):.0f}")]


def _is_many(pictures: Counter[int], row: int) -> bool:
    others = [n for other, n in pictures.items() if other != row]
    return bool(others) and pictures[row] >= max(LEAST_MANY, MANY_TIMES * median(others))
