"""Rows of text become lines with facts filled in, names looked up and identity made.

Comes in: a sheet, the batch's facts, a list of names. Goes out: :class:`Line` records. A value that cannot be
understood is left out here and reported by ``checks``, which sees the cells as received.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from passage_cv.intake.cells import Cells, Filled, packed, places
from passage_cv.intake.columns import COUNT, GATE_VIEW, NUMBER_COLUMNS, OTHER_PURPOSES, TEXT_COLUMNS
from passage_cv.intake.names import Names, Species
from passage_cv.intake.sheet import Sheet, SheetRow

_NUMBER_PLACES = places(NUMBER_COLUMNS)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the sheet.

    ``individual`` is organismID, or eventID/number, or empty where the sheet does not say; ``text`` and
    ``numbers`` hold every canonical column, with ``""`` and None where unknown; ``cells`` is the row of
    the sheet, with a person's corrections.
    """

    row: int
    images: tuple[str, ...]
    individual: str
    species: Species | None
    text: Mapping[str, str]
    numbers: Mapping[str, float | None]
    cells: Mapping[str, str]
    n_cells: int
    n_headings: int

    @property
    def event(self) -> str:
        """The set, lift or camera run."""
        return self.text["eventID"]

    @property
    def purpose(self) -> str:
        """What the pictures of this line are for."""
        return self.text["purpose"]

    @property
    def shows_fish(self) -> bool:
        """Whether its pictures belong to an individual."""
        return self.purpose not in OTHER_PURPOSES

    @property
    def is_counted_only(self) -> bool:
        """Whether it only counts fish that were not looked at one by one ("120 WPE")."""
        return not self.images and not self.individual and self.n_counted > 0

    @property
    def n_counted(self) -> int:
        """How many fish it counts; a part of a fish is one, so that no permit is overrun by rounding."""
        return math.ceil(as_number(self.cells.get(COUNT, "")) or 0)

    @property
    def occurrence(self) -> str:
        """Individual and event; empty where no individual is known."""
        own = self.individual.startswith(f"{self.event}/")
        return self.individual if own or not self.individual else f"{self.individual}@{self.event}"


def build_lines(sheet: Sheet, facts: Mapping[str, str], names: Names) -> tuple[Line, ...]:
    """Make a line of every row."""
    common = {name: facts.get(name, "") for name in TEXT_COLUMNS}
    common["purpose"] = common["purpose"] or GATE_VIEW
    known: dict[tuple[str, ...], dict[str, int]] = {}
    return tuple(_line(replace(row, cells=packed(row.cells, known)), common, facts, names) for row in sheet.rows)


def as_number(text: str) -> float | None:
    """The finite number a cell holds, or None.

    Examples
    --------
    >>> as_number("412"), as_number("about 400"), as_number("nan")
    (412.0, None, None)
    """
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def image_names(cell: str) -> tuple[str, ...]:
    """Paths below the batch folder in one cell, several separated by ``;``.

    Examples
    --------
    >>> image_names("images/1.jpg; images/2.jpg;")
    ('images/1.jpg', 'images/2.jpg')
    """
    parts = (part.strip().replace("\\", "/") for part in cell.split(";"))
    return tuple(_plain_path(part) for part in parts if part)


def _plain_path(path: str) -> str:
    """A path without empty parts and dots for "here", as pathlib writes it; that would keep each part for ever."""
    inner = "/".join(part for part in path.split("/") if part not in {"", "."})
    return f"/{inner}" if path.startswith("/") else inner or "."


def _line(row: SheetRow, common: Mapping[str, str], facts: Mapping[str, str], names: Names) -> Line:
    text = Filled(row.cells, common)
    numbers = (as_number(row.cells.get(name, "") or facts.get(name, "")) for name in NUMBER_COLUMNS)
    return Line(
        row=row.number,
        images=image_names(row.cells.get("image", "")),
        individual=_identity(text),
        species=names.find(text["scientificName"] or text["code"]),
        text=text,
        numbers=Cells(_NUMBER_PLACES, tuple(numbers)),
        cells=row.cells,
        n_cells=row.n_cells,
        n_headings=row.n_headings,
    )


def _identity(text: Mapping[str, str]) -> str:
    if text["organismID"]:
        return text["organismID"]
    if text["individual"] and text["eventID"]:
        return f"{text['eventID']}/{text['individual']}"
    return ""
