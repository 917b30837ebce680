"""Read a batch's sheet and its trip.toml into rows of text, without judging them.

Comes in: a batch folder. Goes out: rows as the crew wrote them, with the row number their spreadsheet shows.
Whether a cell makes sense is asked in ``checks``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.intake.coco import coco_lines, find_coco, read_coco
from passage_cv.intake.heading_words import known_headings
from passage_cv.intake.sheet_files import TOP, Table, as_text, read_csv, read_xlsx
from passage_cv.intake.sheet_rows import Lines, fill_merged, join_units, without_sums

SHEET_SUFFIXES = (".csv", ".xlsx")
CHECKLIST = "checklist.csv"
"""A site's own species, in the batch folder beside the sheet; never taken for the sheet."""
RESOLUTIONS = "resolutions.toml"
"""What people decided about the batch's findings."""
LAYOUT = "layout.toml"
"""A confirmed reading of the sheet's headings."""
PAIRING = "pairing.toml"
"""Which pictures belong to which lines, where the sheet does not say."""
SETUPS = "setups.toml"
"""Cameras, lamps and settings that made the pictures."""
PERMITS = "permits.toml"
"""What the permits and protocols of the trip allow."""
COMPANIONS = ("trip.toml", CHECKLIST, RESOLUTIONS, LAYOUT, PAIRING, SETUPS, PERMITS)
"""Files beside the sheet that say something about the batch."""

_LEAST_HEADINGS = 3


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One line: ``number`` as the spreadsheet shows it (headings are row 1).

    ``n_cells`` were there before padding, ``n_headings`` above them in the file.
    """

    number: int
    cells: Mapping[str, str]
    n_cells: int
    n_headings: int


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet as received; ``headings`` after the confirmed renaming, ``titles`` the rows above them.

    ``supposed`` says what was taken for granted to read the file, ``doubts`` what of it a person should look at.
    """

    path: Path
    headings: tuple[str, ...]
    rows: tuple[SheetRow, ...]
    titles: tuple[str, ...] = ()
    supposed: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def sha256(self) -> str:
        """Hash of the file as received."""
        return sha256_file(self.path)


def find_sheet(folder: Path) -> Path:
    """The sheet of a batch folder: ``sheet.csv`` or ``sheet.xlsx``, else the only CSV or XLSX file there.

    Where there is none of these, a COCO file is the sheet.

    Raises
    ------
    InputError
        If the folder is missing, holds no sheet, or holds several of which none is named ``sheet``.
    """
    if not folder.is_dir():
        raise InputError("Batch folder is missing", where=str(folder), do="Check the path.")
    found = sheets_in(folder)
    annotations = None if found else find_coco(folder)
    if annotations:
        return annotations
    named = [path for path in found if path.stem.lower() == "sheet"]
    candidates = named or found
    if len(candidates) == 1:
        return candidates[0]
    names = ", ".join(path.name for path in candidates) or "none"
    raise InputError(
        f"A batch needs one sheet, found {names}",
        where=str(folder),
        do="Name the one that counts sheet.csv or sheet.xlsx.",
    )


def sheets_in(folder: Path) -> list[Path]:
    """Every file of a batch folder that may be a sheet, by name."""
    found = sorted(path for path in folder.iterdir() if path.suffix.lower() in SHEET_SUFFIXES)
    return [path for path in found if not path.name.startswith((".", "~$")) and path.name != CHECKLIST]


def read_sheet(path: Path, *, headings: Mapping[str, str] | None = None) -> Sheet:
    """Read a CSV, XLSX or COCO sheet.

    Parameters
    ----------
    path
        File whose first row holds the headings, or a row below some titles that reads like headings.
    headings
        Confirmed renaming, heading in the file to canonical column; other headings stay as they are.

    Raises
    ------
    InputError
        If the file cannot be read, is empty, or two columns have one heading.
    """
    table = _read_table(path)
    lines = table.lines
    if not lines:
        raise InputError("Sheet is empty", where=str(path), do="Give a line of headings and a line per image.")
    top = _heading_row(lines)
    head, body, supposed = _head_and_body(lines, top)
    head = [(headings or {}).get(cell, cell) for cell in head]
    _require_distinct(head, path)
    body, doubts = without_sums(body)
    body, filled = fill_merged(body, table.merged)
    return Sheet(
        path,
        headings=tuple(head),
        rows=tuple(_row(number, cells, head) for number, cells in body),
        titles=tuple(" ".join(filter(None, cells)) for _, cells in lines[:top]),
        supposed=(*table.supposed, *supposed),
        doubts=(*table.doubts, *doubts, *filled),
    )


def read_facts(folder: Path) -> dict[str, str]:
    """Facts common to the batch from ``trip.toml``, as text; empty where there is no such file.

    Raises
    ------
    InputError
        If the file is not TOML or a value is a table or a list.
    """
    path = folder / "trip.toml"
    if not path.is_file():
        return {}
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"File is not TOML: {error}", where=str(path), do="Correct that line.") from error
    nested = [key for key, value in values.items() if isinstance(value, dict | list)]
    if nested:
        raise InputError(
            f"Values must be single facts, found a table or list at {', '.join(nested)}",
            where=str(path),
            do="Give one value per key.",
        )
    return {key: as_text(value) for key, value in values.items()}


def _read_table(path: Path) -> Table:
    readers = {".csv": read_csv, ".json": _coco_table}
    return readers.get(path.suffix.lower(), read_xlsx)(path)


def _coco_table(path: Path) -> Table:
    lines = list(enumerate(coco_lines(read_coco(path)), start=1))
    return Table(lines, ("row 2 is the first annotation of a COCO file",))


def _heading_row(lines: Sequence[tuple[int, list[str]]]) -> int:
    """Which row holds the headings: the first, unless it says nothing and one of the next reads like headings."""
    if known_headings(lines[0][1]):
        return 0
    scores = [known_headings(cells) for _, cells in lines[:TOP]]
    best = scores.index(max(scores))
    return best if scores[best] >= _LEAST_HEADINGS else 0


def _head_and_body(lines: Lines, top: int) -> tuple[list[str], Lines, tuple[str, ...]]:
    """Headings without empty ones at the end, and the lines below; units in a row of their own join the headings."""
    head, body = list(lines[top][1]), lines[top + 1 :]
    while head and not head[-1]:
        head.pop()
    joined = join_units(head, body[0][1]) if body else None
    if joined is None:
        return head, body, ()
    return joined, body[1:], (f"row {body[0][0]} holds units, which were put beside the headings",)


def _row(number: int, cells: Sequence[str], head: Sequence[str]) -> SheetRow:
    n_cells = len(cells)
    while n_cells > len(head) and not cells[n_cells - 1]:
        n_cells -= 1
    padded = [*cells, *[""] * len(head)]
    named = {heading: padded[i] for i, heading in enumerate(head) if heading}
    return SheetRow(number, named, n_cells, len(head))


def _require_distinct(head: Sequence[str], path: Path) -> None:
    twice = sorted({name for name in head if name and head.count(name) > 1})
    if twice:
        raise InputError(
            f"Two columns are headed {', '.join(twice)}", where=str(path), do="Give each column its own heading."
        )
