"""Read and write the trap book: a folder with ``traps.csv`` and ``lots.csv``, or one XLSX with both as worksheets.

Rows keep the number that a spreadsheet shows. What a cell may hold is decided here; what the numbers mean, and
whether they balance, is asked in ``tally``.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Any, TypeVar, cast

import openpyxl

from passage_cv.errors import InputError
from passage_cv.files import write_bytes
from passage_cv.intake.sheet_files import as_text
from passage_cv.planning.tally import FATES, MARKS, SEXES, Book, Lot, TrapLine

TRAP_COLUMNS = ("date", "site", "trap", "sex", "mark", "caught", *FATES, "second_mark", "resolution")
LOT_COLUMNS = (
    "lot",
    "treated_on",
    "received",
    "agent_lot",
    "dose",
    "operator",
    "clip",
    "died",
    "in_tank",
    "released",
    "released_on",
    "place",
)
NEEDED_COUNTS = ("caught", "received")
COUNTS = (*NEEDED_COUNTS, *FATES, "second_mark", "died")
TABLES = {"traps": TRAP_COLUMNS, "lots": LOT_COLUMNS}

Cells = dict[str, str]
L = TypeVar("L")


def read_book(path: Path) -> Book:
    """Read a book.

    Parameters
    ----------
    path
        A folder with ``traps.csv`` and, once there are lots, ``lots.csv``; or an XLSX with worksheets of these names.

    Raises
    ------
    InputError
        If a file, worksheet or column is missing; or, all at once, for every cell that cannot be read.
    """
    tables = _read_xlsx(path) if path.suffix.lower() == ".xlsx" else _read_folder(path)
    problems: list[str] = []
    traps = _lines(tables["traps"], "traps", _trap_line, problems)
    lots = _lines(tables.get("lots", []), "lots", _lot, problems)
    if problems:
        shown = "; ".join(problems[:10]) + (f"; and {len(problems) - 10} more" if len(problems) > 10 else "")
        raise InputError(shown, where=str(path), do="Correct these cells; nothing was counted.")
    if not traps:
        raise InputError("Book has no trap line", where=str(path), do="Enter a line per trap, day, sex and mark.")
    return Book(tuple(traps), tuple(lots), str(path))


def write_book(book: Book, path: Path) -> list[Path]:
    """Write a book, as XLSX by its ending, else as a folder of two CSV files; returns the files."""
    rows = {
        "traps": [_as_cells(line, TRAP_COLUMNS) for line in book.traps],
        "lots": [_as_cells(lot, LOT_COLUMNS) for lot in book.lots],
    }
    if path.suffix.lower() == ".xlsx":
        write_bytes(path, _xlsx(rows))
        return [path]
    written = []
    for name, columns in TABLES.items():
        target = path / f"{name}.csv"
        write_bytes(target, _csv([list(columns), *rows[name]]))
        written.append(target)
    return written


def empty_book(path: Path) -> list[Path]:
    """Write a book with headings only, for a crew to fill in."""
    return write_book(Book((), (), str(path)), path)


def _read_folder(path: Path) -> dict[str, list[tuple[int, Cells]]]:
    if not (path / "traps.csv").is_file():
        raise InputError(
            "Book needs traps.csv", where=str(path), do="Give its folder, or an XLSX with worksheet `traps`."
        )
    found = {}
    for name, columns in TABLES.items():
        file = path / f"{name}.csv"
        if file.is_file():
            try:
                rows = list(csv.reader(io.StringIO(file.read_bytes().decode("utf-8-sig"))))
            except UnicodeDecodeError as error:
                raise InputError("File is not UTF-8", where=str(file), do="Save it as CSV UTF-8.") from error
            found[name] = _table(rows, columns, str(file))
    return found


def _read_xlsx(path: Path) -> dict[str, list[tuple[int, Cells]]]:
    if not path.is_file():
        raise InputError("Book is missing", where=str(path), do="Check the path.")
    try:
        workbook = openpyxl.load_workbook(path, data_only=True)
    except Exception as error:  # openpyxl raises many kinds for a damaged file, none of them its own
        raise InputError(f"Book is not XLSX: {error}", where=str(path), do="Save it again.") from error
    if "traps" not in workbook.sheetnames:
        raise InputError(
            f"Worksheets are {', '.join(workbook.sheetnames)}",
            where=str(path),
            do="Name the worksheet of trap lines `traps`.",
        )
    return {
        name: _table(
            [[_cell(value) for value in row] for row in workbook[name].iter_rows(values_only=True)],
            TABLES[name],
            f"{path}, worksheet {name}",
        )
        for name in TABLES
        if name in workbook.sheetnames
    }


def _cell(value: object) -> str:
    return as_text(value).removesuffix("T00:00:00")  # spreadsheets keep a day as midnight


def _table(rows: Sequence[Sequence[str]], columns: Sequence[str], where: str) -> list[tuple[int, Cells]]:
    head = [cell.strip() for cell in rows[0]] if rows else []
    missing = [name for name in columns if name not in head]
    if missing:
        raise InputError(f"Columns are missing: {', '.join(missing)}", where=where, do="Add them to the headings.")
    numbered = [(number, dict(zip(head, row, strict=False))) for number, row in enumerate(rows[1:], start=2)]
    return [(number, cells) for number, cells in numbered if any(cells.values())]


def _lines(
    rows: Sequence[tuple[int, Cells]], table: str, build: Callable[[int, Cells], L], problems: list[str]
) -> list[L]:
    lines = []
    for number, cells in rows:
        try:
            lines.append(build(number, {name: cell.strip() for name, cell in cells.items()}))
        except ValueError as error:
            problems.append(f"{table} row {number}: {error}")
    return lines


def _trap_line(row: int, cells: Cells) -> TrapLine:
    sex, mark = cells["sex"].upper(), cells["mark"].lower()
    if sex not in SEXES:
        raise ValueError(f"sex is {cells['sex']!r}, allowed are {', '.join(SEXES)}")
    if mark not in MARKS:
        raise ValueError(f"mark is {cells['mark']!r}, allowed are {', '.join(MARKS)}")
    return TrapLine(
        row=row,
        day=_day(cells, "date"),
        site=_word(cells, "site"),
        trap=_word(cells, "trap"),
        sex=cast("Any", sex),
        mark=cast("Any", mark),
        **{name: _count(cells, name) for name in ("caught", *FATES, "second_mark")},
        resolution=cells["resolution"],
    )


def _lot(row: int, cells: Cells) -> Lot:
    return Lot(
        row=row,
        lot=_word(cells, "lot"),
        treated_on=_day(cells, "treated_on"),
        released_on=_day(cells, "released_on") if cells["released_on"] else None,
        received=_count(cells, "received"),
        died=_count(cells, "died"),
        in_tank=_count(cells, "in_tank"),
        released=_count(cells, "released"),
        agent_lot=cells["agent_lot"],
        dose=cells["dose"],
        operator=cells["operator"],
        clip=cells["clip"],
        place=cells["place"],
    )


def _count(cells: Cells, name: str) -> int:
    """A count; only what a line opens with must be written, an empty fate is none."""
    text = cells[name]
    if not text.isdecimal() and (text or name in NEEDED_COUNTS):
        raise ValueError(f"{name} is {text!r}, a count of 0 or more is needed")
    return int(text or 0)


def _day(cells: Cells, name: str) -> date:
    try:
        return date.fromisoformat(cells[name])
    except ValueError as error:
        raise ValueError(f"{name} is {cells[name]!r}, a day as 2031-04-20 is needed") from error


def _word(cells: Cells, name: str) -> str:
    if not cells[name]:
        raise ValueError(f"{name} is empty")
    return cells[name]


def _as_cells(line: TrapLine | Lot, columns: Sequence[str]) -> list[str]:
    named = {"date" if field.name == "day" else field.name: getattr(line, field.name) for field in fields(line)}
    return ["" if named[name] is None else str(named[name]) for name in columns]


def _csv(rows: Sequence[Sequence[str]]) -> bytes:
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return out.getvalue().encode()


def _xlsx(rows: dict[str, list[list[str]]]) -> bytes:
    workbook = openpyxl.Workbook()
    workbook.remove(workbook.active)
    for name, columns in TABLES.items():
        sheet = workbook.create_sheet(name)
        sheet.append(list(columns))
        for row in rows[name]:
            sheet.append([int(cell) if column in COUNTS else cell for column, cell in zip(columns, row, strict=True)])
        sheet.freeze_panes = "A2"
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()
