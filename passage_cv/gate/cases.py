"""The CSV form that both files of reference cases share: a line per view, the lines of one case together.

Comes in and goes out: rows of text. What a row means is known to :mod:`passage_cv.gate.reference` (given logits) and
:mod:`passage_cv.gate.pictures` (given pictures).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from itertools import groupby
from pathlib import Path
from typing import TypeVar

from passage_cv.errors import InputError

Row = Sequence[str]
Case = TypeVar("Case")


def write_cases(headings: Row, rows: Iterable[Row]) -> bytes:
    """Headings and rows as CSV (RFC 4180)."""
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\r\n").writerows([headings, *rows])
    return stream.getvalue().encode()


def read_cases(path: Path, headings: list[str], read_one: Callable[[list[list[str]]], Case]) -> tuple[Case, ...]:
    """Read each case from its rows, which share their first cell.

    Raises
    ------
    InputError
        If the headings are not these, in this order, or a cell cannot be read.
    """
    with path.open(encoding="utf-8", newline="") as stream:
        head, *rows = list(csv.reader(stream)) or [[]]
    if head != headings:
        raise InputError(f"Headings are {head}, needed {headings}", where=str(path), do="Export again.")
    try:
        return tuple(read_one(list(views)) for _, views in groupby(rows, key=lambda row: row[0]))
    except (ValueError, IndexError) as error:
        raise InputError(f"A reference case cannot be read: {error}", where=str(path), do="Export again.") from error
