"""Dates and times of a batch: ISO 8601 instants, days and intervals.

A time without an offset is not placed on the clock of the world; callers see that in ``is_exact``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo, available_timezones

_CLOCK = re.compile(r"(\d{1,2})[:.hH]?(\d{2})(?::(\d{2})(?:\.0+)?)?\s*([aApP]\.?[mM]\.?)?")


@dataclass(frozen=True, slots=True)
class Window:
    """From ``start`` to ``end``; both are aware where ``is_exact``, else wall-clock times of the site."""

    start: datetime
    end: datetime
    is_exact: bool


def parse_window(text: str) -> Window | None:
    """A day, an instant or an interval ``start/end``; None where it is none of these.

    Examples
    --------
    >>> window = parse_window("2031-04-20T21:15:00-04:00/2031-04-21T02:00:00-04:00")
    >>> window.is_exact, (window.end - window.start).total_seconds() / 3600
    (True, 4.75)
    >>> parse_window("20 April") is None
    True
    """
    first, _, second = text.partition("/")
    start, end = _bounds(first), _bounds(second or first)
    if start is None or end is None:
        return None
    aware = {start[0].tzinfo is not None, end[1].tzinfo is not None}
    if len(aware) == 2 or end[1] < start[0]:
        return None
    return Window(start[0], end[1], aware == {True})


def parse_instant(text: str) -> datetime | None:
    """One point in time, aware or not; None where the text is none."""
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        return None


def parse_time_of_day(text: str) -> time | None:
    """A time of a clock and nothing else, as people and spreadsheets write it; None where the text is none.

    Examples
    --------
    >>> [str(parse_time_of_day(text)) for text in ("8:05 pm", "2015", "20h15", "12:10 a.m.", "0.84375")]
    ['20:05:00', '20:15:00', '20:15:00', '00:10:00', '20:15:00']
    >>> parse_time_of_day("13:00 pm"), parse_time_of_day("480"), parse_time_of_day("2031-05-11T20:15:00")
    (None, None, None)
    """
    found = _CLOCK.fullmatch(text.strip())
    if not found:
        return _part_of_a_day(text.strip())
    hour, minute, second, half = int(found[1]), int(found[2]), int(found[3] or 0), (found[4] or "")[:1].casefold()
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    is_time = hour < 24 and minute < 60 and second < 60
    return time(hour, minute, second) if is_time else None


def _part_of_a_day(text: str) -> time | None:
    """The time that a spreadsheet keeps as this part of a day, to the second."""
    if not re.fullmatch(r"0?\.\d{3,}", text):
        return None
    seconds = round(float(text) * 86400)
    minutes, second = divmod(seconds, 60)
    return time(minutes // 60, minutes % 60, second) if seconds < 86400 else None


def minutes_outside(taken: datetime, window: Window) -> float | None:
    """How many minutes a time lies outside a window; 0 inside, None where the two cannot be compared."""
    if (taken.tzinfo is not None) != window.is_exact:
        return None
    gap = max(window.start - taken, taken - window.end, timedelta(0))
    return gap.total_seconds() / 60


def minutes_off_event(taken: datetime, window: Window) -> float:
    """How many minutes a picture lies outside its event, on the clock of the site.

    Most cameras write no offset: their time is then taken as the site's own. An event given as days reaches to the
    noon after, because a night's work runs over midnight.

    Examples
    --------
    >>> night = parse_window("2031-05-11")
    >>> minutes_off_event(datetime.fromisoformat("2031-05-12T03:30:00"), night)
    0.0
    """
    taken = on_event_clock(taken, window)
    if not window.is_exact:
        is_days = window.start.time() == time.min and window.end.time() > time(23, 59)
        window = Window(window.start, window.end + timedelta(hours=12 if is_days else 0), is_exact=False)
    return minutes_outside(taken, window) or 0.0


def on_event_clock(taken: datetime, window: Window) -> datetime:
    """A picture's time as it compares with its event: without an offset it is the site's own clock."""
    if not window.is_exact:
        return taken.replace(tzinfo=None)
    return taken if taken.tzinfo else taken.replace(tzinfo=window.start.tzinfo)


def on_site_clock(text: str, zone: str) -> str | None:
    """A local time with the offset that the zone's clocks had; None where that is not one moment.

    An hour that a clock change repeats or skips is nobody's to guess.

    Examples
    --------
    >>> on_site_clock("2031-07-01T21:15:00", "America/New_York")
    '2031-07-01T21:15:00-04:00'
    >>> on_site_clock("2031-11-02T01:30:00", "America/New_York") is None  # twice that night
    True
    """
    local = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone))
    if local.utcoffset() != local.replace(fold=1).utcoffset():
        return None
    return local.isoformat()


def spreadsheet_day(text: str) -> str:
    """The day that a spreadsheet keeps as this number of days since 1899-12-30; empty where it is none.

    Examples
    --------
    >>> spreadsheet_day("47979"), spreadsheet_day("480")
    ('2031-05-11', '')
    """
    if not re.fullmatch(r"[3-7]\d{4}(\.\d+)?", text):  # 1982 to 2118
        return ""
    return (date(1899, 12, 30) + timedelta(days=int(float(text)))).isoformat()


def is_zone(name: str) -> bool:
    """Whether a time zone of that name is known (IANA, such as ``America/New_York``)."""
    return name in available_timezones()


def are_two_moments(one: str, other: str) -> bool:
    """Whether two pictures were surely made at different moments: both times known and over ten minutes apart.

    A clock a little off does not make two moments of one; an unknown time decides nothing.

    Examples
    --------
    >>> are_two_moments("2031-05-11T20:00:00-04:00", "2031-05-12T00:00:05+00:00")
    False
    >>> are_two_moments("2031-05-11T20:00:00-04:00", "2031-05-11T21:00:00-04:00"), are_two_moments("", "2031-05-11")
    (True, False)
    """
    first, second = parse_instant(one), parse_instant(other)
    if first is None or second is None or (first.tzinfo is None) != (second.tzinfo is None):
        return False
    return abs(first - second) > timedelta(minutes=10)


def _bounds(text: str) -> tuple[datetime, datetime] | None:
    """First and last moment of a day, or an instant twice."""
    text = text.strip()
    try:
        day = date.fromisoformat(text)
    except ValueError:
        instant = parse_instant(text)
        return (instant, instant) if instant else None
    # A day on the site's own clock: no offset is known, so none is invented.
    start = datetime.combine(day, time.min)
    return start, start + timedelta(days=1) - timedelta(microseconds=1)
