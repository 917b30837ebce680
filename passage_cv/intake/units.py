"""Units that crews write, turned into the unit of a canonical column.

Factors are exact by definition (international yard and pound, 1959) but for rounding in the last digit.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from itertools import pairwise

SI_UNIT: Mapping[str, str] = {
    "length_mm": "mm",
    "weight_g": "g",
    "waterTemperature_C": "C",
    "turbidity_NTU": "NTU",
    "discharge_m3_s": "m3/s",
}
"""The unit of each numeric column."""

_FACTORS: Mapping[str, Mapping[str, float]] = {
    "length_mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8},
    "weight_g": {"g": 1.0, "kg": 1000.0, "mg": 0.001, "lb": 453.59237, "oz": 28.349523125},
    "turbidity_NTU": {"NTU": 1.0},
    "discharge_m3_s": {"m3/s": 1.0, "ft3/s": 0.028316846592, "l/s": 0.001},
}
_SPELLINGS: Mapping[str, str] = {
    "millimetre": "mm",
    "millimeter": "mm",
    "centimetre": "cm",
    "centimeter": "cm",
    "metre": "m",
    "meter": "m",
    '"': "in",
    "inch": "in",
    "inches": "in",
    "'": "ft",
    "feet": "ft",
    "foot": "ft",
    "gram": "g",
    "kilogram": "kg",
    "kilo": "kg",
    "lbs": "lb",
    "pound": "lb",
    "ounce": "oz",
    "°c": "C",
    "deg c": "C",
    "deg. c": "C",
    "degc": "C",
    "ºc": "C",
    "˚c": "C",
    "celsius": "C",
    "c": "C",
    "°f": "F",
    "deg f": "F",
    "deg. f": "F",
    "degf": "F",
    "ºf": "F",
    "˚f": "F",
    "fahrenheit": "F",
    "f": "F",
    "ntu": "NTU",
    "cfs": "ft3/s",
    "cusec": "ft3/s",
    "ft3/sec": "ft3/s",
    "cubic feet per second": "ft3/s",
    "cms": "m3/s",
    "cumec": "m3/s",
    "m³/s": "m3/s",
    "ft³/s": "ft3/s",
}

_NUMBER = r"\d+(?:\.\d+|(?:\s+\d+)?/[1-9]\d?)?"
_PART = re.compile(rf"({_NUMBER})\s*([^\d\s.,;/][^\d,;]*)")
_MEASURE = re.compile(rf"(?:{_PART.pattern}\s*,?\s*)+")


def read_unit(text: str, column: str) -> str | None:
    """The unit a text names, if the column can have it; None otherwise.

    Examples
    --------
    >>> read_unit("Inches", "length_mm"), read_unit("lbs", "weight_g"), read_unit("lbs", "length_mm")
    ('in', 'lb', None)
    """
    word = text.strip().casefold().rstrip(".")
    singular = word.removesuffix("s") if word.removesuffix("s") in _SPELLINGS else word
    unit = _SPELLINGS.get(word, _SPELLINGS.get(singular, word))
    return unit if unit in units_of(column) else None


def read_measure(text: str, column: str) -> float | None:
    """A measure written with its units, in parts or whole, in the column's own unit; None where it is none.

    Parts go from larger to smaller units, and only the last may have decimals or a fraction.

    Examples
    --------
    >>> read_measure("2 lb 3 oz", "weight_g"), read_measure("1 ft 4 in", "length_mm"), read_measure("2'", "length_mm")
    (992.233309, 406.4, 609.6)
    >>> read_measure("18 1/2 in", "length_mm")
    469.9
    >>> read_measure("3 oz 2 lb", "weight_g"), read_measure("2 lb 3", "weight_g")
    (None, None)
    """
    if not _MEASURE.fullmatch(text.strip()):
        return None
    parts = [(number, read_unit(word, column)) for number, word in _PART.findall(text)]
    units = [unit for _, unit in parts if unit]
    sizes = [_FACTORS.get(column, {}).get(unit, 1.0) for unit in units]
    falls = all(larger > smaller for larger, smaller in pairwise(sizes))
    if len(units) < len(parts) or not falls or any("." in number or "/" in number for number, _ in parts[:-1]):
        return None
    return round(sum(to_si(_value(number), unit, column) for number, unit in parts if unit), 6)


def _value(number: str) -> float:
    """A number with decimals, or with a fraction behind it."""
    return float(sum(Fraction(part) for part in number.split()))


def units_of(column: str) -> tuple[str, ...]:
    """Units that a numeric column can be given in; empty for a text column."""
    if column == "waterTemperature_C":
        return ("C", "F")
    return tuple(_FACTORS.get(column, ()))


def to_si(value: float, unit: str, column: str) -> float:
    """A value in the column's own unit.

    Examples
    --------
    >>> to_si(18.7, "in", "length_mm"), to_si(59, "F", "waterTemperature_C")
    (474.98, 15.0)
    """
    if column == "waterTemperature_C":
        return round((value - 32) / 1.8, 6) if unit == "F" else value
    return round(value * _FACTORS[column][unit], 6)
