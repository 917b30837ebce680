"""When somebody is at the gate: a weekly timetable in local time.

Comes in: lines such as ``"Mon-Fri 06:00-18:00"`` or ``"Sat,Sun 20:00-04:00"`` (over midnight). Goes out: attended or
not at a moment. What a gate does in either case is the business of the policies it was given.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import field_validator

from passage_cv.config import Settings

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_LINE = re.compile(r"(\S+) (\d\d):(\d\d)-(\d\d):(\d\d)")


@dataclass(frozen=True, slots=True)
class Shift:
    """Hours on some days of the week; minutes after midnight, the end beyond 1440 where it lies on the next day."""

    days: frozenset[int]
    start_min: int
    end_min: int

    def covers(self, weekday: int, minute: int) -> bool:
        """Whether a minute of a weekday lies in it; the end belongs to what follows."""
        today = weekday in self.days and self.start_min <= minute < self.end_min
        return today or ((weekday - 1) % 7 in self.days and minute + 1440 < self.end_min)


class Hours(Settings):
    """The timetable of a site: hours at which somebody attends the gate, all others are unattended."""

    zone: str
    attended: tuple[str, ...]

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ValueError(f"time zone {zone!r} is not known, for example America/New_York") from error
        return zone

    @field_validator("attended")
    @classmethod
    def _readable(cls, lines: tuple[str, ...]) -> tuple[str, ...]:
        for line in lines:
            read_shift(line)
        return lines

    def is_attended(self, moment: datetime) -> bool:
        """Whether somebody attends at a moment (with offset).

        Examples
        --------
        >>> from datetime import UTC
        >>> hours = Hours(zone="America/New_York", attended=("Mon-Fri 06:00-18:00",))
        >>> [hours.is_attended(datetime(2031, 5, 5, hour, tzinfo=UTC)) for hour in (9, 10, 21, 22)]  # a Monday, UTC-4
        [False, True, True, False]
        """
        local = moment.astimezone(ZoneInfo(self.zone))
        minute = local.hour * 60 + local.minute
        return any(read_shift(line).covers(local.weekday(), minute) for line in self.attended)


def read_shift(line: str) -> Shift:
    """Read one line of a timetable.

    Raises
    ------
    ValueError
        If it is not days, then a time to a time.

    Examples
    --------
    >>> night = read_shift("Sat,Sun 20:00-04:00")
    >>> sorted(night.days), night.end_min - night.start_min
    ([5, 6], 480)
    """
    found = _LINE.fullmatch(line)
    if found is None:
        raise ValueError(f"{line!r} is no shift, for example 'Mon-Fri 06:00-18:00'")
    start, end = (timedelta(hours=int(found[n]), minutes=int(found[n + 1])) // timedelta(minutes=1) for n in (2, 4))
    if not (0 <= start < 1440 and 0 <= end <= 1440):
        raise ValueError(f"{line!r} has a time that no day has")
    return Shift(_days(found[1], line), start, end if end > start else end + 1440)


def _days(text: str, line: str) -> frozenset[int]:
    days: set[int] = set()
    for part in text.split(","):
        first, _, last = part.partition("-")
        if first not in DAYS or (last or first) not in DAYS:
            raise ValueError(f"{line!r} names a day other than {', '.join(DAYS)}")
        from_day, to_day = DAYS.index(first), DAYS.index(last or first)
        days |= {(from_day + step) % 7 for step in range((to_day - from_day) % 7 + 1)}
    return frozenset(days)
