"""Checks of how the sheet is read: headings, layouts, dittos, decimal signs and date orders."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.columns import NUMBER_COLUMNS, TEXT_COLUMNS
from passage_cv.intake.headings import UNSAID
from passage_cv.intake.layout import DATE_COLUMNS, DITTOS, foreign_columns
from passage_cv.intake.lines import Line, as_number
from passage_cv.intake.sheet import sheets_in
from passage_cv.records import Finding

_COMMA = re.compile(r"[+-]?\d+,\d+")
_THOUSANDS = re.compile(r"[+-]?\d{1,3},\d{3}")
_NUMERIC_DATE = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-](\d{4}|\d{2})(?:[ T].*)?")


def check_headings(batch: CheckedBatch) -> list[Finding]:
    """Headings that probably mean a column and wait for a person to say so."""
    return [
        Finding(
            "heading to confirm",
            "please look",
            f"{one.heading!r} may be {one.column}"
            + (f" in {one.unit}" if one.unit not in {"", UNSAID} else "")
            + (f", {one.length_type}" if one.length_type else "")
            + f" ({f'{one.note}, ' if one.note else ''}confidence {one.confidence:.2f}):"
            f" {', '.join(one.samples) or 'no cell filled in'}",
            row=1,
            proposal="Name its unit in layout.toml; it is ignored until then"
            if one.unit == UNSAID
            else "Confirm it in layout.toml; it is ignored until then",
        )
        for one in batch.proposals
    ]


def check_other_sheets(batch: CheckedBatch) -> list[Finding]:
    """Files beside the sheet that may be sheets too: nothing of them is read."""
    return [
        Finding(
            "sheet not read",
            "must resolve",
            f"{path.name} is not read: the sheet of this batch is {batch.sheet.name}",
            proposal="Join its lines to the sheet, or send it with its pictures as a batch of its own; let it stand"
            " where it holds no fish of this batch",
        )
        for path in sheets_in(batch.folder)
        if path.name != batch.sheet.name
    ]


def check_layout(batch: CheckedBatch) -> list[Finding]:
    """A confirmed layout that is about another sheet or names columns that are none."""
    if batch.layout is None:
        return []
    gone = [heading for heading in batch.layout.headings if heading not in batch.headings]
    findings = [
        Finding("layout", "must resolve", f"layout.toml: {what} is no column or not in that unit")
        for what in foreign_columns(batch.layout)
    ]
    if gone:
        findings.append(
            Finding(
                "layout",
                "must resolve",
                f"The layout was confirmed for other headings; the sheet lacks {', '.join(gone)}",
                proposal="Confirm the layout again for this sheet",
            )
        )
    return findings


def check_dittos(batch: CheckedBatch) -> list[Finding]:
    """Ditto marks that nobody has said how to read."""
    rows: dict[str, list[int]] = defaultdict(list)
    for line in batch.rows:
        for name in (*TEXT_COLUMNS, *NUMBER_COLUMNS):
            if line.cells.get(name, "").casefold() in DITTOS:
                rows[name].append(line.row)
    return [
        Finding(
            "ditto",
            "must resolve",
            f"{name} has {len(found)} ditto marks, first in row {found[0]}",
            row=found[0],
            proposal=f'Fill them in, or confirm repeated = ["{name}"] in layout.toml',
        )
        for name, found in rows.items()
    ]


def check_decimal_signs(batch: CheckedBatch) -> list[Finding]:
    """Numbers with a comma, which mean nothing until somebody says what it is, and points beside decimal commas."""
    cells = [(line, name, line.cells[name]) for line in batch.rows for name in NUMBER_COLUMNS if line.cells.get(name)]
    return [*_commas(cells), *_points_beside_commas(batch)]


def _commas(cells: Sequence[tuple[Line, str, str]]) -> Iterator[Finding]:
    found = [cell for cell in cells if _COMMA.fullmatch(cell[2])]
    if not found:
        return
    line, name, text = found[0]
    is_thousands = all(_THOUSANDS.fullmatch(text) for *_, text in found)
    whole, part = text.replace(",", ""), text.replace(",", ".")
    yield Finding(
        "decimal comma",
        "must resolve",
        f"{len(found)} numbers have a comma, first {name} {text} in row {line.row}",
        row=line.row,
        proposal=f"Is it {whole} (a comma between thousands: write it without), or {part}"
        ' (confirm decimal = "," in layout.toml)?'
        if is_thousands
        else 'Confirm decimal = "," in layout.toml',
    )


def _points_beside_commas(batch: CheckedBatch) -> Iterator[Finding]:
    """Cells with a point where the layout says that a comma is the decimal sign: 1.480 may be 1480 or 1.48."""
    layout = batch.layout
    if layout is None or layout.decimal != ",":
        return
    headings = {use.column: use.heading for use in layout.use}
    told = {(one.row, one.column, one.becomes) for one in batch.resolutions.correct}
    for name in NUMBER_COLUMNS:
        heading = headings.get(name, name)
        found = [
            (line, cell)
            for line in batch.rows
            if "." in (cell := line.cells.get(f"{heading} as received", line.cells.get(heading, "")))
            and as_number(cell) is not None
            and (line.row, heading, cell) not in told
        ]
        if found:
            line, cell = found[0]
            yield Finding(
                "point beside decimal commas",
                "must resolve",
                f"{len(found)} cells of {heading} have a point, first {cell} in row {line.row}; the layout says that"
                " a comma is the decimal sign",
                row=line.row,
                proposal=f"Is it {cell.replace('.', '')}, or {cell.replace('.', ',')}?",
            )


def check_date_order(batch: CheckedBatch) -> list[Finding]:
    """Dates in numbers, day or month first: what the whole batch allows, for a person to confirm."""
    dates = [
        (line, line.text[name], found)
        for line in batch.rows
        for name in DATE_COLUMNS
        if (found := _NUMERIC_DATE.fullmatch(line.text[name]))
    ]
    if not dates:
        return []
    firsts, seconds = {int(found[1]) for *_, found in dates}, {int(found[2]) for *_, found in dates}
    line, text, _ = dates[0]
    orders = [order for order, months in (("day first", seconds), ("month first", firsts)) if max(months) <= 12]
    said = {1: f"only {orders[0]} is possible" if orders else "", 2: "both orders are possible"}.get(
        len(orders), "no order fits all of them"
    )
    how = " or ".join(f'dates = "{order}"' for order in orders or ("day first", "month first"))
    is_short = any(len(found[3]) == 2 for *_, found in dates)
    return [
        Finding(
            "date order",
            "must resolve",
            f"{len(dates)} dates such as {text} (row {line.row}) are in numbers; {said}",
            row=line.row,
            proposal=f"Confirm {how} in layout.toml, with the offset"
            + ("; write the years with four digits, no century is guessed" if is_short else ""),
        )
    ]
