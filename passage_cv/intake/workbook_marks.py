"""What a sheet of a workbook says beside its values: merged cells, hidden rows and columns, comments, dead formulas.

Comes in: an open XLSX archive and the name of a sheet. Goes out: a :class:`SheetMarks`. A person who looks at the
workbook sees these and a list of values does not show them, so ``sheet_files`` tells them.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO
from xml.etree.ElementTree import Element, iterparse, parse
from zipfile import ZipFile

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_AREA = re.compile(r"([A-Z]+)(\d+):([A-Z]+)(\d+)")
_BOOK = "xl/workbook.xml"


@dataclass(frozen=True, slots=True)
class Merged:
    """Cells joined to one that reach over several rows: rows as the spreadsheet shows them, ``column`` from 0."""

    area: str
    column: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class SheetMarks:
    """Marks of one sheet; columns by letter, rows by number, cells by letter and number."""

    merged: tuple[Merged, ...] = ()
    hidden_columns: tuple[str, ...] = ()
    hidden_rows: tuple[int, ...] = ()
    dead_formulas: tuple[str, ...] = ()
    comments: tuple[tuple[str, str], ...] = ()


def read_marks(archive: ZipFile, title: str) -> SheetMarks:
    """The marks of the sheet with this title.

    Raises
    ------
    KeyError, xml.etree.ElementTree.ParseError
        If the workbook is damaged.
    """
    path = _sheet_path(archive, title)
    merged, columns, rows, dead = [], [], [], []
    with archive.open(path) as stream:
        for _, one in iterparse(stream):  # noqa: S314 - the size was limited before, and expat limits what entities become
            if one.tag == f"{_MAIN}c" and _is_dead(one):
                dead.append(one.get("r", "?"))
            elif one.tag == f"{_MAIN}row":
                rows += [int(one.get("r", "0"))] if one.get("hidden") in {"1", "true"} else []
                one.clear()
            elif one.tag == f"{_MAIN}col" and one.get("hidden") in {"1", "true"}:
                columns += [letters(n) for n in range(int(one.get("min", "1")), _last_of(one) + 1)]
            elif one.tag == f"{_MAIN}mergeCell":
                merged += list(_over_rows(one.get("ref", "")))
    return SheetMarks(tuple(merged), tuple(columns), tuple(rows), tuple(dead), tuple(_comments(archive, path)))


def letters(column: int) -> str:
    """The letters above a column, counted from 1.

    Examples
    --------
    >>> letters(1), letters(28)
    ('A', 'AB')
    """
    rest, last = divmod(column - 1, 26)
    return (letters(rest) if rest else "") + chr(ord("A") + last)


def _is_dead(cell: Element) -> bool:
    """Whether a cell holds a formula whose result nobody stored: it reads as empty."""
    value = cell.find(f"{_MAIN}v")
    return cell.find(f"{_MAIN}f") is not None and (value is None or not (value.text or "").strip())


def _last_of(columns: Element) -> int:
    """The last column of a run; one to the end of the sheet says nothing of columns that are filled in."""
    first, last = int(columns.get("min", "1")), int(columns.get("max", "1"))
    return min(last, first + 255)


def _over_rows(area: str) -> Iterator[Merged]:
    found = _AREA.fullmatch(area)
    if found and found[2] != found[4]:
        yield Merged(area, _number(found[1]) - 1, int(found[2]), int(found[4]))


def _number(letters_above: str) -> int:
    number = 0
    for letter in letters_above:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def _sheet_path(archive: ZipFile, title: str) -> str:
    with archive.open(_BOOK) as stream:
        wanted = next(one.get(_RELATION) for one in _root(stream).iter(f"{_MAIN}sheet") if one.get("name") == title)
    return next(path for name, _, path in _related(archive, _BOOK) if name == wanted)


def _comments(archive: ZipFile, path: str) -> Iterator[tuple[str, str]]:
    """Cell and words of each comment of a sheet."""
    for _, kind, place in _related(archive, path):
        if kind.endswith("/comments"):
            with archive.open(place) as stream:
                for one in _root(stream).iter(f"{_MAIN}comment"):
                    words = "".join(part.text or "" for part in one.iter(f"{_MAIN}t"))
                    yield one.get("ref", "?"), " ".join(words.split())


def _related(archive: ZipFile, path: str) -> list[tuple[str, str, str]]:
    """Name, kind and path of what a part of the archive refers to."""
    folder, file = posixpath.split(path)
    listed = f"{folder}/_rels/{file}.rels"
    if listed not in archive.namelist():
        return []
    with archive.open(listed) as stream:
        return [
            (one.get("Id", ""), one.get("Type", ""), _resolved(folder, one.get("Target", "")))
            for one in _root(stream)
        ]


def _root(stream: IO[bytes]) -> Element:
    return parse(stream).getroot()  # noqa: S314 - as above


def _resolved(folder: str, target: str) -> str:
    return target.removeprefix("/") if target.startswith("/") else posixpath.normpath(posixpath.join(folder, target))
