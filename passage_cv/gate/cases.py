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

UNFAMILIARITY = "unfamiliarity"
"""A column that both files have where the cutoffs take it from the model, and lack otherwise."""


def write_cases(headings: Row, rows: Iterable[Row]) -> bytes:
    """Headings and rows as CSV (RFC 4180)."""
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\r\n").writerows([headings, *rows])
    return stream.getvalue().encode()


def read_cases(
    path: Path, headings: Sequence[list[str]], read_one: Callable[[list[dict[str, str]]], Case]
) -> tuple[Case, ...]:
    """Read each case from its rows, which share their first cell, each as cells by heading.

    ``headings`` are all that a file may have.

    Raises
    ------
    InputError
        If the headings are none of these, in this order, or a cell cannot be read.
    """
    with path.open(encoding="utf-8", newline="") as stream:
        head, *rows = list(csv.reader(stream)) or [[]]
    if head not in headings:
        raise InputError(f"Headings are {head}, needed {headings[0]}", where=str(path), do="Export again.")
    try:
        named = [dict(zip(head, row, strict=True)) for row in rows]
        return tuple(read_one(list(views)) for _, views in groupby(named, key=lambda row: row[head[0]]))
    except (ValueError, KeyError) as error:
        raise InputError(f"A reference case cannot be read: {error}", where=str(path), do="Export again.") from error
