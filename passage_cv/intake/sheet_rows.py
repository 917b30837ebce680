"""Rows of a sheet that are no line of a fish, and cells that stand for several: units, sums, merged cells.

Comes in: numbered rows of text. Goes out: the same without what is none, and words that say so to a person.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from passage_cv.intake.heading_words import column_by_word
from passage_cv.intake.units import SI_UNIT, read_unit
from passage_cv.intake.workbook_marks import Merged

Lines = list[tuple[int, list[str]]]

SUMS = frozenset(
    {"total", "totals", "subtotal", "sub-total", "grand total", "sum", "mean", "average", "avg", "minimum", "maximum"}
)
"""What the first cell of a row says that sums up others."""

_PICTURE = re.compile(r".+\.(jpe?g|png|bmp|webp)", re.IGNORECASE)
_BRACKETS = re.compile(r"^[(\[](.+)[)\]]$")


def fill_merged(lines: Lines, merged: Sequence[Merged]) -> tuple[Lines, tuple[str, ...]]:
    """Lines below one another whose cells are merged have the value of the first in each of their rows.

    Parameters
    ----------
    lines
        Below the headings.
    merged
        Areas of the sheet; those that begin above these lines or hold no value are passed over.
    """
    by_number = {number: list(cells) for number, cells in lines}
    filled = []
    for area in merged:
        value = _cell(by_number.get(area.first, []), area.column)
        below = [number for number in range(area.first + 1, area.last + 1) if number in by_number]
        if value and below:
            filled.append(area.area)
            for number in below:
                cells = by_number[number]
                cells += [""] * (area.column + 1 - len(cells))
                cells[area.column] = value
    said = (f"merged cells {_listed(filled)} were read as one value for each of their rows",) if filled else ()
    return list(by_number.items()), said


def without_sums(lines: Lines) -> tuple[Lines, tuple[str, ...]]:
    """Lines whose first word says that they sum up others, and that name no picture, are no fish."""
    sums = [(number, cells) for number, cells in lines if _is_sum(cells)]
    if not sums:
        return lines, ()
    numbers = {number for number, _ in sums}
    named = _listed([f"{number} ({next(filter(None, cells))})" for number, cells in sums])
    kept = [(number, cells) for number, cells in lines if number not in numbers]
    return kept, (f"rows {named} sum up others and were not read as fish",)


def join_units(head: Sequence[str], below: Sequence[str]) -> list[str] | None:
    """Headings with the units that stand in a row of their own below them; None where that row is none of units.

    Examples
    --------
    >>> join_units(["Fish", "TL", "Wt"], ["", "(cm)", "g"])
    ['Fish', 'TL (cm)', 'Wt (g)']
    >>> join_units(["Fish", "TL", "Wt"], ["1", "48", "g"]) is None
    True
    """
    padded = [*below, *[""] * (len(head) - len(below))]
    units = [_unit_below(heading, cell) for heading, cell in zip(head, padded, strict=False)]
    if not any(units) or any(cell and not unit for cell, unit in zip(padded, units, strict=False)):
        return None
    return [f"{heading} ({unit})" if unit else heading for heading, unit in zip(head, units, strict=True)]


def _unit_below(heading: str, cell: str) -> str:
    """The unit in a cell, as written, if the column of the heading above can have it."""
    found = column_by_word(heading) if cell else None
    written = _BRACKETS.sub(r"\1", cell.strip())
    can_have = found and found[0] in SI_UNIT and read_unit(written, found[0])
    return written if can_have else ""


def _is_sum(cells: Sequence[str]) -> bool:
    first = next(filter(None, cells), "").casefold().rstrip(" :.=")
    return first in SUMS and not any(_PICTURE.fullmatch(cell) for cell in cells)


def _cell(cells: Sequence[str], column: int) -> str:
    return cells[column] if column < len(cells) else ""


def _listed(names: Sequence[str], most: int = 5) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
