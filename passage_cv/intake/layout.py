"""A confirmed reading of one kind of sheet: which heading is which column, in which unit, date order and signs.

``layout.toml`` lies beside the sheet, or in a folder of layouts that a site keeps; it is found again by the
sheet's headings. Applying it gives the sheet the canonical columns beside the received ones, which stay.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator

from passage_cv.config import Settings, read_settings
from passage_cv.files import sha256_bytes, write_text
from passage_cv.intake.columns import CANONICAL
from passage_cv.intake.headings import HeadingProposal
from passage_cv.intake.lines import as_number
from passage_cv.intake.sheet import LAYOUT, Sheet, SheetRow
from passage_cv.intake.times import is_zone, on_site_clock, parse_instant
from passage_cv.intake.toml_text import toml_string
from passage_cv.intake.units import SI_UNIT, read_measure, to_si, units_of

_SIGNS = ('"', "''", "”", "“", "″", "〃", '-"-', "-”-", "↓")
DITTOS = frozenset({*_SIGNS, "do", "do.", "dto", "dto.", "ditto", "idem", "same", "as above"})
"""Signs and words that repeat the cell above, once a person confirmed the column."""

DATE_COLUMNS = ("eventDate", "taken_at")
"""Columns that hold a date or a time."""

_DATE = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{2,4})(?:[ T]+(\d{1,2}:\d{2}(?::\d{2})?))?")


class ColumnUse(Settings):
    """What one heading is."""

    heading: Annotated[str, Field(min_length=1)]
    column: str
    unit: str = ""
    length_type: Literal["", "TL", "FL", "SL"] = ""


class Layout(Settings):
    """One confirmed layout; who confirmed it and when.

    ``dates`` orders numeric dates; ``offset`` is added to times without one (``-04:00``), or the one that ``zone``
    had then (``America/New_York``), but for the hours that a clock change makes doubtful; ``decimal`` is the sign in
    numbers; ``blanks`` says whether an empty cell repeats the one above in the columns of ``repeated``;
    ditto marks there always do.
    """

    format: Literal[1] = 1
    headings: tuple[str, ...]
    use: tuple[ColumnUse, ...] = ()
    who: Annotated[str, Field(pattern=r"[^\s?]")]
    dates: Literal["iso", "day first", "month first"] = "iso"
    offset: Annotated[str, Field(pattern=r"^([+-]\d{2}:\d{2})?$")] = ""
    zone: str = ""
    decimal: Literal[".", ","] = "."
    blanks: Literal["unknown", "same"] = "unknown"
    repeated: tuple[str, ...] = ()

    @field_validator("zone")
    @classmethod
    def _is_known(cls, zone: str) -> str:
        if zone and not is_zone(zone):
            raise ValueError(f"{zone!r} is no time zone such as America/New_York")
        return zone


def remember_layout(layout: Layout, layouts: Path) -> Path:
    """Keep a confirmed layout in a site's folder of layouts, named by its headings; returns where it lies."""
    name = sha256_bytes("\x1f".join(layout.headings).encode())[:12]
    path = layouts / f"layout-{name}.toml"
    write_layout(layout, path)
    return path


def draft_layout(sheet: Sheet, proposals: list[HeadingProposal], *, who: str) -> Layout:
    """The layout that accepts every proposal; date order, signs and blanks are left at their plain values.

    With ``who="?"`` it is refused until somebody puts a name there.
    """
    use = tuple(
        ColumnUse(heading=one.heading, column=one.column, unit=one.unit, length_type=one.length_type)  # type: ignore[arg-type]  # one of a column of three
        for one in proposals
    )
    return Layout.model_construct(headings=sheet.headings, use=use, who=who)


def find_layout(folder: Path, headings: tuple[str, ...], layouts: Path | None = None) -> Layout | None:
    """The confirmed layout of a sheet: beside it, else the one in ``layouts`` with the same headings.

    Raises
    ------
    InputError
        If a layout file cannot be read.
    """
    beside = folder / LAYOUT
    if beside.is_file():
        return read_settings(beside, Layout)
    kept = sorted(layouts.glob("*.toml")) if layouts else []
    found = (read_settings(path, Layout) for path in kept)
    return next((layout for layout in found if layout.headings == headings), None)


def write_layout(layout: Layout, path: Path) -> None:
    """Write a layout as a file that a person can read and change."""
    lines = [f"format = {layout.format}", f"headings = [{', '.join(map(toml_string, layout.headings))}]"]
    for name in ("who", "dates", "offset", "zone", "decimal", "blanks"):
        lines.append(f"{name} = {toml_string(getattr(layout, name))}")
    lines.append(f"repeated = [{', '.join(map(toml_string, layout.repeated))}]")
    for use in layout.use:
        lines.append("\n[[use]]")
        lines += [f"{name} = {toml_string(value)}" for name, value in use.model_dump().items() if value]
    write_text(path, "\n".join(lines) + "\n")


def apply_layout(sheet: Sheet, layout: Layout) -> Sheet:
    """The sheet with canonical columns added as the layout says.

    A cell that cannot be read in the way confirmed is passed on as it is, so that the checks show it. Where a column
    takes the place of a received one of the same name, the received cell stays beside it. Our own headings of numbers
    and dates need no ``[[use]]``: they are read with the signs and the date order confirmed, in their own unit.
    """
    layout = layout.model_copy(update={"use": (*layout.use, *_own_uses(sheet.headings, layout))})
    rows: list[SheetRow] = []
    above: Mapping[str, str] = {}
    for row in sheet.rows:
        filled = {**row.cells, **_repeated(row.cells, above, layout)}
        read = _canonical(filled, layout)
        received = {
            f"{name} as received": filled[name] for name in read if filled.get(name, read[name]) != read[name]
        }
        rows.append(replace(row, cells={**filled, **read, **received}))
        above = filled
    added = [use.column for use in layout.use] + (["length_type"] if any(u.length_type for u in layout.use) else [])
    return replace(sheet, headings=tuple(dict.fromkeys([*sheet.headings, *added])), rows=tuple(rows))


def _own_uses(headings: Iterable[str], layout: Layout) -> list[ColumnUse]:
    """Our own headings of numbers and dates that the layout does not name."""
    named = {name for use in layout.use for name in (use.heading, use.column)}
    return [
        ColumnUse(heading=heading, column=heading, unit=SI_UNIT.get(heading, ""))
        for heading in headings
        if heading not in named and (heading in SI_UNIT or heading in DATE_COLUMNS)
    ]


def _repeated(cells: Mapping[str, str], above: Mapping[str, str], layout: Layout) -> dict[str, str]:
    """Cells that stand for the one above them."""
    same = {}
    for heading in layout.repeated:
        cell = cells.get(heading, "")
        if cell.casefold() in DITTOS or (not cell and layout.blanks == "same"):
            same[heading] = above.get(heading, cell)
    return same


def _canonical(cells: Mapping[str, str], layout: Layout) -> dict[str, str]:
    found = {}
    for use in layout.use:
        cell = cells.get(use.heading, "")
        found[use.column] = _number(cell, use, layout) if use.unit else _text(cell, use, layout)
        if use.length_type and cell:
            found["length_type"] = use.length_type
    return found


def _text(cell: str, use: ColumnUse, layout: Layout) -> str:
    return read_date(cell, layout) if use.column in DATE_COLUMNS else cell


def _number(cell: str, use: ColumnUse, layout: Layout) -> str:
    text = cell.replace(",", ".") if layout.decimal == "," else cell
    value, written = as_number(text), read_measure(text, use.column)
    if written is not None:  # "2 lb 3 oz": the cell's own units win over the heading's
        return f"{written:.10g}"
    if value is None or use.unit not in units_of(use.column):
        return cell
    measure = to_si(value, use.unit, use.column)
    return cell if as_number(cell) == measure else f"{measure:.10g}"


def read_date(text: str, layout: Layout) -> str:
    """A date or time as ISO 8601 in the confirmed order; as it is where it cannot be read so.

    Examples
    --------
    >>> read_date("5/11/2031 8:05", Layout(headings=(), use=(), who="TBO", dates="month first", offset="-04:00"))
    '2031-05-11T08:05:00-04:00'
    """
    found = _DATE.fullmatch(text.strip())
    if not found:
        return with_offset(text.strip(), layout)
    first, second, third, clock = found.groups()
    year, month, day = {
        "iso": (first, second, third),
        "day first": (third, second, first),
        "month first": (third, first, second),
    }[layout.dates]
    if len(year) != 4:
        return text
    try:
        day_text = date(int(year), int(month), int(day)).isoformat()
    except ValueError:
        return text
    if not clock:
        return day_text
    hour, _, rest = clock.partition(":")
    return with_offset(f"{day_text}T{int(hour):02d}:{rest if ':' in rest else rest + ':00'}", layout)


def with_offset(text: str, layout: Layout) -> str:
    """A time with the offset that the layout gives it; as it is where it has one, or where none is certain."""
    if not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?", text) or parse_instant(text) is None:
        return text
    if layout.zone:
        return on_site_clock(text, layout.zone) or text
    return f"{text}{layout.offset}"


def as_received(layout: Layout | None, column: str, value: str) -> tuple[str, str]:
    """The heading of the crew's sheet that holds a column, and a value of it in that heading's unit and signs.

    Examples
    --------
    >>> inches = Layout(headings=("TL",), use=(ColumnUse(heading="TL", column="length_mm", unit="in"),), who="TBO")
    >>> as_received(inches, "length_mm", "508"), as_received(None, "sex", "F")
    (('TL', '20'), ('sex', 'F'))
    """
    use = next((one for one in layout.use if one.column == column), None) if layout else None
    if use is None or layout is None:
        return column, value
    number = as_number(value)
    if number is None or not use.unit:
        return use.heading, value
    zero, one = (to_si(measure, use.unit, column) for measure in (0.0, 1.0))
    text = value if use.unit == SI_UNIT.get(column) else f"{(number - zero) / (one - zero):.6g}"
    return use.heading, text.replace(".", layout.decimal)


def foreign_columns(layout: Layout) -> list[str]:
    """Columns a layout names that are none of ours, units they cannot have, and numbers that name no unit."""
    return [
        f"{use.heading}: {use.column} {use.unit or ('without a unit' if use.column in SI_UNIT else '')}".strip()
        for use in layout.use
        if use.column not in CANONICAL
        or ((use.unit or use.column in SI_UNIT) and use.unit not in units_of(use.column))
    ]
