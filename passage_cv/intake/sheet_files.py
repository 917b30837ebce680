"""The bytes of a CSV or XLSX file as rows of text: encodings, separators and kinds of cells.

Comes in: a path. Goes out: the rows that hold anything, with the number the spreadsheet shows, and what had to be
supposed to read them. Which row holds the headings is found in ``sheet``.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from zipfile import ZipFile

import openpyxl

from passage_cv.errors import InputError
from passage_cv.intake.heading_words import known_headings
from passage_cv.intake.workbook_marks import Merged, SheetMarks, read_marks

TOP = 20
"""Rows among which the headings are looked for."""
MOST_UNPACKED_BYTES = 300 * 1024 * 1024
"""A workbook that unpacks to more is refused unread [ours: a million rows of thirty columns]."""
MOST_ROWS = 1_000_000
SHOWN = 5
"""Cells, rows and columns that are named where something is said of many."""

_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_SEPARATORS = (",", ";", "\t")

Lines = list[tuple[int, list[str]]]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows with their numbers.

    ``supposed`` says what was taken for granted to read them, ``doubts`` what a person sees in the file and these
    rows do not show; ``merged`` are cells of a workbook that stand for several rows.
    """

    lines: Lines
    supposed: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    merged: tuple[Merged, ...] = ()


def read_csv(path: Path) -> Table:
    """Rows of a CSV file: UTF-8, UTF-16 with its mark, else Windows-1252; comma, semicolon or tab.

    Raises
    ------
    InputError
        If it is no text, or no CSV.
    """
    text, supposed = _decoded(path.read_bytes(), path)
    separator = _separator(text)
    if separator != ",":
        supposed = (*supposed, f"cells are separated by {'tabs' if separator == chr(9) else separator}")
    try:
        return Table(_filled(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)), supposed)
    except csv.Error as error:
        raise InputError(f"Sheet is not CSV: {error}", where=str(path), do="Save it again as CSV.") from error


def read_xlsx(path: Path) -> Table:
    """Rows of the sheet of a workbook whose headings say most.

    Raises
    ------
    InputError
        If it is no workbook, or unpacks to too much.
    """
    try:
        with ZipFile(path) as archive:
            n_bytes = sum(entry.file_size for entry in archive.infolist())
            small = n_bytes <= MOST_UNPACKED_BYTES
            book = openpyxl.load_workbook(path, read_only=True, data_only=True) if small else None
            sheets = {sheet.title: _sheet_lines(sheet) for sheet in book.worksheets} if book else {}
            best = max(sheets, key=lambda title: _n_known(sheets[title]), default="")
            marks = read_marks(archive, best) if best else SheetMarks()
    except Exception as error:  # openpyxl raises many kinds for a damaged file, none of them its own
        raise InputError(f"Sheet is not XLSX: {error}", where=str(path), do="Save it again.") from error
    if book is None:
        raise InputError(
            f"Workbook unpacks to {n_bytes} bytes, at most {MOST_UNPACKED_BYTES}",
            where=str(path),
            do="Save the sheet alone, as CSV.",
        )
    book.close()
    if not sheets:
        raise InputError("Workbook has no sheet of cells", where=str(path), do="Save it again.")
    supposed = (f"of {len(sheets)} sheets {best!r} was read",) if len(sheets) > 1 else ()
    return Table(sheets[best], supposed, tuple(_doubts(marks)), marks.merged)


def _n_known(lines: Lines) -> int:
    """How many headings the best of the first rows has; an empty sheet has less than any."""
    return max((known_headings(cells) for _, cells in lines[:TOP]), default=-1)


def _doubts(marks: SheetMarks) -> Iterator[str]:
    """What a person sees in a workbook, or does not see in it, other than in its values."""
    if marks.dead_formulas:
        yield (
            f"{len(marks.dead_formulas)} formulas have no stored result and read as empty, first"
            f" {marks.dead_formulas[0]}; open the workbook and save it again"
        )
    if marks.hidden_columns:
        yield f"hidden columns were read like the others: {', '.join(marks.hidden_columns[:SHOWN])}"
    if marks.hidden_rows:
        rows = ", ".join(map(str, marks.hidden_rows[:SHOWN]))
        yield f"{len(marks.hidden_rows)} hidden rows were read like the others: {rows}"
    if marks.comments:
        said = "; ".join(f"{cell} {words!r}" for cell, words in marks.comments[:SHOWN])
        yield f"{len(marks.comments)} cells have a comment, which no column keeps: {said}"


def as_text(value: object) -> str:
    """A cell or TOML value as the text a person would have typed.

    Examples
    --------
    >>> as_text(12.0), as_text(None), as_text(date(2031, 4, 20))
    ('12', '', '2031-04-20')
    """
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return str(value).strip()


def _decoded(data: bytes, path: Path) -> tuple[str, tuple[str, ...]]:
    """The text, and what was supposed about its letters."""
    encoding = next((name for mark, name in _MARKS if data.startswith(mark)), "utf-8")
    try:
        return data.decode(encoding), ()
    except UnicodeDecodeError as error:
        if encoding != "utf-8" or b"\x00" in data:
            raise _no_text(path, error.start) from error
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError as error:
        raise _no_text(path, error.start) from error
    words = sorted({word for word in text.replace(",", " ").replace(";", " ").split() if not word.isascii()})
    return text, (f"the letters are Windows-1252, which gives {', '.join(words[:5])}",)


def _no_text(path: Path, at: int) -> InputError:
    return InputError(
        f"Sheet is neither UTF-8 nor Windows-1252 at byte {at}", where=str(path), do="Save it as CSV UTF-8."
    )


def _separator(text: str) -> str:
    """The separator that gives most known headings in the first rows; a comma where none does better."""
    top = text.splitlines()[:TOP]
    return max(_SEPARATORS, key=lambda sign: max((_score(row, sign) for row in top), default=(0, 0)))


def _score(row: str, sign: str) -> tuple[int, int]:
    cells = [cell.strip().strip('"') for cell in row.split(sign)]
    return known_headings(cells), min(len(cells), 2) - 1


def _sheet_lines(sheet: openpyxl.worksheet._read_only.ReadOnlyWorksheet) -> Lines:
    """Rows of one sheet; a column of midnights holds days, because Excel keeps a day as its midnight."""
    rows = []
    for number, row in enumerate(sheet.iter_rows(values_only=True)):
        if number >= MOST_ROWS:
            raise ValueError(f"more than {MOST_ROWS} rows")
        rows.append(list(row))
    clocks: dict[int, set[time]] = defaultdict(set)
    for row in rows:
        for column, value in enumerate(row):
            if isinstance(value, datetime):
                clocks[column].add(value.time())
    days = {column for column, times in clocks.items() if times == {time(0)}}
    return _filled(
        [
            as_text(value.date() if column in days and isinstance(value, datetime) else value)
            for column, value in enumerate(row)
        ]
        for row in rows
    )


def _filled(rows: Iterable[Sequence[str]]) -> Lines:
    """Rows that hold anything, each with its number in the spreadsheet; equal cells are one text in memory."""
    known: dict[str, str] = {}
    numbered = (
        (number, [known.setdefault(text, text) for text in map(str.strip, row)])
        for number, row in enumerate(rows, start=1)
    )
    return [(number, cells) for number, cells in numbered if any(cells)]
