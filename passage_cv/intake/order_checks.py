"""Do pictures and lines run in the same order? After a skipped frame a series of pictures is one line off."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.lines import Line
from passage_cv.intake.times import parse_instant
from passage_cv.records import Finding

MOST_OUT_OF_ORDER = 0.3
"""Part of an event's lines above which the sheet is taken to be in another order than time [ours]."""


def check_picture_order(batch: CheckedBatch) -> list[Finding]:
    """Lines whose pictures were made out of the order in which the fish of their event stand in the sheet.

    Looked at per event and camera, whose clock need not be right. A sheet that is in no order of time says
    nothing.
    """
    made = {picture.name: picture.taken_at for picture in batch.images}
    cameras = {picture.name: picture.camera for picture in batch.images}
    events: dict[tuple[str, str], list[tuple[Line, datetime]]] = defaultdict(list)
    for line in batch.kept_lines():
        moments = [parse_instant(line.text["taken_at"] or made.get(name, "")) for name in batch.kept_images(line)]
        first = min((moment for moment in moments if moment and moment.tzinfo), default=None)
        if first and line.shows_fish:
            camera = line.text["camera"] or cameras.get(line.images[0], "")
            events[line.event, camera].append((line, first))
    return [finding for (event, _), lines in events.items() for finding in _out_of_order(event, lines)]


def in_order(values: Sequence[datetime]) -> set[int]:
    """Places of a longest run that never falls: the fewest others are out of order.

    References
    ----------
    Fredman 1975, Discrete Math 11:29, longest increasing subsequences in n log n.
    """
    tails: list[int] = []
    keys: list[datetime] = []
    before: list[int] = []
    for i, value in enumerate(values):
        at = bisect_right(keys, value)
        before.append(tails[at - 1] if at else -1)
        tails[at : at + 1] = [i]
        keys[at : at + 1] = [value]
    kept: set[int] = set()
    i = tails[-1] if tails else -1
    while i >= 0:
        kept.add(i)
        i = before[i]
    return kept


def _out_of_order(event: str, lines: list[tuple[Line, datetime]]) -> Iterator[Finding]:
    moments = [moment for _, moment in lines]
    kept = in_order(moments)
    if len(lines) - len(kept) > MOST_OUT_OF_ORDER * len(lines):
        return
    for i, (line, moment) in enumerate(lines):
        if i in kept:
            continue
        before = [j for j in kept if moments[j] <= moment]
        after = [j for j in kept if moments[j] > moment]
        place = max(before) + 1 if before else min(after)
        first, last = sorted((lines[min(place, len(lines) - 1)][0].row, line.row))
        yield Finding(
            "pictures out of order",
            "please look",
            f"Row {line.row}: its picture was made at {moment.time().isoformat()}, out of the order of event {event};"
            f" rows {first} to {last} may carry each other's pictures",
            row=line.row,
            image=line.images[0],
            proposal="Compare these rows with their pictures; shift the series if it is one line off",
        )
