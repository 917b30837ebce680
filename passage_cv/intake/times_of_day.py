"""Times of day joined with the date of their line: a sheet's column of times alone says when pictures were made.

Comes in: a sheet whose column ``timeOfDay`` is confirmed (or headed so), and the facts of the trip. Goes out: the
same sheet with ``taken_at`` filled where one day only is possible; the rest is asked about and never guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, time, timedelta
from itertools import groupby, pairwise

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.columns import CLOCK
from passage_cv.intake.layout import Layout, read_date, with_offset
from passage_cv.intake.lines import Line
from passage_cv.intake.sheet import Sheet, SheetRow
from passage_cv.intake.times import Window, parse_instant, parse_time_of_day, parse_window
from passage_cv.records import Finding

SLACK = timedelta(hours=2)
"""How far a time may lie outside an event that has times itself [ours: set-up and release, as for pictures]."""
_HALF_DAY = timedelta(hours=12)
_LONGEST = timedelta(hours=24)
"""An event of which only the start is known is taken to end within this."""


def join_times(sheet: Sheet, facts: Mapping[str, str], layout: Layout | None) -> Sheet:
    """The sheet with ``taken_at`` in the lines whose time of day and date allow one moment only.

    Parameters
    ----------
    sheet
        With its canonical columns; a filled-in ``taken_at`` stays.
    facts
        Of the trip; its ``eventDate`` stands for lines without one.
    layout
        Gives the date order and the offset or time zone, where one was confirmed.
    """
    if CLOCK not in sheet.headings:
        return sheet
    rows = tuple(_joined(row, row.cells.get("eventDate") or facts.get("eventDate", ""), layout) for row in sheet.rows)
    return replace(sheet, headings=tuple(dict.fromkeys([*sheet.headings, "taken_at"])), rows=rows)


def place_time(clock: time, event: str) -> datetime | None:
    """The one moment of an event at which a clock showed this time; None where there is none or there are several.

    Examples
    --------
    >>> place_time(time(0, 40), "2031-04-20T21:15-04:00/2031-04-21T02:00-04:00").isoformat()
    '2031-04-21T00:40:00-04:00'
    >>> place_time(time(20, 15), "2031-05-11").isoformat()
    '2031-05-11T20:15:00'
    >>> place_time(time(20, 15), "2031-05-11/2031-05-12") is None, place_time(time(20, 15), "") is None
    (True, True)
    """
    window = parse_window(event)
    if window is None:
        return None
    fitting = {moment for moment in _moments(clock, window) if _is_in(moment, window, has_times="T" in event)}
    return fitting.pop() if len(fitting) == 1 else None


def check_times_of_day(batch: CheckedBatch) -> list[Finding]:
    """Times of day that could not be joined with a date, and those that may belong to the day after."""
    lines = [line for line in batch.kept_lines() if line.cells.get(CLOCK)]
    return [*_not_joined(lines), *_past_midnight(lines), *_other_day_than_picture(batch, lines)]


def _joined(row: SheetRow, event: str, layout: Layout | None) -> SheetRow:
    cell = row.cells.get(CLOCK, "")
    if not cell or row.cells.get("taken_at"):
        return row
    clock = parse_time_of_day(cell)
    if clock is None:  # the whole moment, as somebody wrote it who was asked
        whole = read_date(cell, layout) if layout else cell
        found = whole if "T" in whole and parse_instant(whole) else ""
    else:
        moment = place_time(clock, event)
        text = moment.isoformat() if moment else ""
        found = with_offset(text, layout) if layout else text
    return replace(row, cells={**row.cells, "taken_at": found}) if found else row


def _moments(clock: time, window: Window) -> Iterator[datetime]:
    """The clock's time on each day from the event's first to the one after its last, with each offset it names."""
    for zone in {window.start.tzinfo, window.end.tzinfo}:
        day = window.start.date() - timedelta(days=1)
        while day <= window.end.date() + timedelta(days=1):
            yield datetime.combine(day, clock, tzinfo=zone)
            day += timedelta(days=1)


def _is_in(moment: datetime, window: Window, *, has_times: bool) -> bool:
    """Whether a moment is of an event; of an event given by its start alone, those of the day that follows."""
    if not has_times:
        return window.start <= moment <= window.end
    if window.start == window.end:
        return window.start - SLACK <= moment < window.start - SLACK + _LONGEST
    return window.start - SLACK <= moment <= window.end + SLACK


def _not_joined(lines: Iterable[Line]) -> Iterator[Finding]:
    unread = [line for line in lines if not line.text["taken_at"]]
    for why, found in groupby(sorted(unread, key=_why_not), key=_why_not):
        group = list(found)
        first = group[0]
        yield Finding(
            "time of day",
            "must resolve",
            f"{len(group)} times of day such as {first.cells[CLOCK]!r} (row {first.row}) {why}",
            row=first.row,
            proposal="Give eventDate, an interval over midnight, or write date and time into the cell",
        )


def _why_not(line: Line) -> str:
    if parse_time_of_day(line.cells[CLOCK]) is None:
        return "are no time of a clock"
    if not line.text["eventDate"]:
        return "have no date: neither their line nor trip.toml has eventDate"
    return f"fit no day of event {line.event} alone, whose eventDate is {line.text['eventDate']}"


def _past_midnight(lines: Iterable[Line]) -> Iterator[Finding]:
    """Where the times of an event that is given by its day fall back by more than half a day, line after line."""
    by_day = [line for line in lines if line.text["taken_at"] and "T" not in line.text["eventDate"]]
    for (event, day), found in groupby(by_day, key=lambda line: (line.event, line.text["eventDate"])):
        group = list(found)
        clocks = [parse_instant(line.text["taken_at"]) for line in group]
        for i, (before, after) in enumerate(pairwise(clocks), start=1):
            if before and after and _is_earlier(before, after):
                yield Finding(
                    "day of a time",
                    "must resolve",
                    f"Row {group[i].row}: {group[i].cells[CLOCK]} follows {group[i - 1].cells[CLOCK]}; both were read"
                    f" as times of {day}, the day of event {event}, though midnight may lie between",
                    row=group[i].row,
                    proposal="Give eventDate as an interval over midnight, or write date and time into the cells",
                )
                break


def _is_earlier(before: datetime, after: datetime) -> bool:
    return before.replace(tzinfo=None) - after.replace(tzinfo=None) > _HALF_DAY


def _other_day_than_picture(batch: CheckedBatch, lines: Iterable[Line]) -> Iterator[Finding]:
    """Lines whose picture says another day than the one that their time of day was joined with."""
    made = {picture.name: picture.taken_at for picture in batch.images}
    for line in lines:
        joined = parse_instant(line.text["taken_at"])
        own = next((moment for name in line.images if (moment := parse_instant(made.get(name, "")))), None)
        if joined is None or own is None:
            continue
        apart = abs(joined.replace(tzinfo=None) - own.replace(tzinfo=None))
        if _HALF_DAY < apart < 3 * _HALF_DAY:
            yield Finding(
                "day of a time",
                "must resolve",
                f"Row {line.row}: {line.cells[CLOCK]} was read as {joined.isoformat()}, its picture says"
                f" {own.isoformat()}",
                row=line.row,
                proposal="Give eventDate as an interval over midnight, or write date and time into the cell",
            )
