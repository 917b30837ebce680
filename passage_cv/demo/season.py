"""The spring run at the weir, week by week: handbook 9, all counts invented."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

YEAR = 2031
_CODES = ("AMS", "STB", "WPE", "WSK", "EEL", "BOW", "WCF", "CCF", "GZS", "SNS", "NSH", "BCF", "ASE")
_WEEKS = (
    ("03-30", 8.5, 22, (4, 0, 120, 260, 3, 1, 2, 1, 10, 3, 0, 1, 0)),
    ("04-06", 10.5, 35, (40, 2, 310, 340, 8, 2, 4, 3, 25, 2, 1, 3, 0)),
    ("04-13", 12.5, 60, (210, 10, 420, 180, 25, 4, 8, 6, 60, 2, 2, 8, 0)),
    ("04-20", 14.5, 18, (640, 35, 380, 90, 60, 6, 12, 10, 140, 1, 5, 16, 0)),
    ("04-27", 16.0, 12, (980, 60, 260, 40, 110, 9, 18, 15, 220, 1, 9, 28, 1)),
    ("05-04", 18.0, 15, (870, 75, 150, 15, 190, 12, 26, 24, 260, 0, 14, 45, 1)),
    ("05-11", 20.0, 90, (430, 50, 70, 6, 260, 14, 34, 33, 210, 0, 17, 62, 2)),
    ("05-18", 22.0, 25, (120, 20, 30, 2, 310, 15, 40, 41, 160, 0, 16, 78, 3)),
)


@dataclass(frozen=True, slots=True)
class Week:
    """One week of the run: its first day (month-day), the water, and the fish that came by code."""

    starts: str
    temperature_c: float
    turbidity_ntu: float
    counts: MappingProxyType[str, int]

    @property
    def total(self) -> int:
        """Fish that came in the week.

        Examples
        --------
        >>> [week.total for week in WEEKS], sum(week.total for week in WEEKS)  # handbook 9, column "Total"
        ([405, 740, 935, 1395, 1751, 1682, 1188, 835], 8931)
        """
        return sum(self.counts.values())


WEEKS = tuple(
    Week(starts, temperature, turbidity, MappingProxyType(dict(zip(_CODES, counts, strict=True))))
    for starts, temperature, turbidity, counts in _WEEKS
)
