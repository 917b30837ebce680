"""Spoil a clean batch sheet the way sheets get spoilt, and write down what was done.

Comes in: a batch folder as :mod:`passage_cv.demo.campaign` writes it. Goes out: the same folder with a few wrong
cells, and the list of them, which belongs beside the batch and never inside. Knows the typical errors of
handbook 1 and nothing of the checks that should find them.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType

import numpy as np

from passage_cv.demo.species import SPECIES
from passage_cv.demo.tables import write_table
from passage_cv.errors import InputError
from passage_cv.files import write_json

Row = dict[str, str]


@dataclass(frozen=True, slots=True)
class Planted:
    """One wrong cell: the row as a spreadsheet shows it, the column, what stood there and what stands now."""

    kind: str
    row: int
    column: str
    was: str
    now: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet being spoilt: its headings, its lines, and chance."""

    columns: list[str]
    rows: list[Row]
    rng: np.random.Generator

    def pick(self, fits: Callable[[Row], bool], kind: str) -> int:
        """Draw a line that fits.

        Raises
        ------
        InputError
            If there is none.
        """
        places = [place for place, row in enumerate(self.rows) if fits(row)]
        if not places:
            raise InputError(f"No line of the sheet is fit for the fault {kind!r}", do="Take a larger batch.")
        return int(self.rng.choice(places))

    def write(self, kind: str, place: int, column: str, value: str) -> Planted:
        """Change one cell and say so."""
        if column not in self.columns:
            self.columns.append(column)
            for row in self.rows:
                row[column] = ""
        was = self.rows[place][column]
        self.rows[place][column] = value
        return Planted(kind, place + 2, column, was, value)


def plant_faults(folder: Path, kinds: Sequence[str], *, seed: int) -> list[Planted]:
    """Put faults into a batch's sheet.

    Parameters
    ----------
    folder
        A batch folder with a clean ``sheet.csv``; it is written again.
    kinds
        From :data:`KINDS`, each planted once, in this order.

    Returns
    -------
    list of Planted
        Every cell that was changed; some kinds change several.

    Raises
    ------
    InputError
        If a kind is unknown, or no line is fit for it.
    """
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown:
        raise InputError(f"Unknown faults {unknown}, known are {', '.join(KINDS)}", do="Correct the names.")
    path = folder / "sheet.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        reader = csv.DictReader(stream)
        sheet = Sheet(list(reader.fieldnames or ()), list(reader), np.random.default_rng([seed, 17]))
    planted = [cell for kind in kinds for cell in KINDS[kind](sheet, kind)]
    write_table(path, sheet.columns, sheet.rows)
    return planted


def write_planted(path: Path, planted: Sequence[tuple[str, Planted]]) -> None:
    """Write the list of what was planted, with the batch of each."""
    write_json(path, [{"batch": batch, **asdict(cell)} for batch, cell in planted])


def _measured(row: Row) -> bool:
    return bool(row["length_mm"]) and bool(row["weight_g"])


def _is_swap_absurd(row: Row) -> bool:
    return _measured(row) and not 0.5 < float(row["weight_g"]) / float(row["length_mm"]) < 2


def _swap_length_and_weight(sheet: Sheet, kind: str) -> list[Planted]:
    """The two numbers of one line in each other's column, of a fish whose weight is far from its length."""
    place = sheet.pick(
        lambda row: _measured(row) and not 0.5 < float(row["weight_g"]) / float(row["length_mm"]) < 2, kind
    )
    length, weight = sheet.rows[place]["length_mm"], sheet.rows[place]["weight_g"]
    return [sheet.write(kind, place, "length_mm", weight), sheet.write(kind, place, "weight_g", length)]


def _swap_columns(sheet: Sheet, kind: str) -> list[Planted]:
    """A whole sheet filled in under each other's headings."""
    cells = []
    for place, row in enumerate(sheet.rows):
        length, weight = row["length_mm"], row["weight_g"]
        cells += [sheet.write(kind, place, "length_mm", weight), sheet.write(kind, place, "weight_g", length)]
    return cells


def _scaled(column: str, factor: float) -> Callable[[Sheet, str], list[Planted]]:
    """A number in another unit, or with its decimal point moved."""

    def spoil(sheet: Sheet, kind: str) -> list[Planted]:
        place = sheet.pick(lambda row: _measured(row) and float(row[column]) >= 100, kind)
        return [sheet.write(kind, place, column, f"{float(sheet.rows[place][column]) * factor:.4g}")]

    return spoil


def _total_as_fork(sheet: Sheet, kind: str) -> list[Planted]:
    """Total length written where the fork length belongs."""
    place = sheet.pick(lambda row: row["length_type"] == "FL" and _measured(row), kind)
    ratio = SPECIES[sheet.rows[place]["code"]].fork_ratio or 1.0
    return [sheet.write(kind, place, "length_mm", str(round(float(sheet.rows[place]["length_mm"]) / ratio)))]


_SLIPS = MappingProxyType(
    {"BCF": "CCF", "CCF": "BCF", "WPE": "WPH", "WCF": "WSF", "EEL": "EEK", "STB": "SBT", "NSH": "NSJ"}
)
"""Codes that a finger slips to: another species, or none."""


def _slip_code(sheet: Sheet, kind: str) -> list[Planted]:
    """One letter wrong in a species code; the name beside it is right."""
    place = sheet.pick(lambda row: row["code"] in _SLIPS, kind)
    return [sheet.write(kind, place, "code", _SLIPS[sheet.rows[place]["code"]])]


def _are_digits_apart(row: Row) -> bool:
    length = row["length_mm"]
    return len(length) == 3 and length[1] != "0" and abs(int(length[0]) - int(length[1])) > 2


def _swap_digits(sheet: Sheet, kind: str) -> list[Planted]:
    """Two digits of a length changed round (453 and 543)."""
    place = sheet.pick(_are_digits_apart, kind)
    length = sheet.rows[place]["length_mm"]
    return [sheet.write(kind, place, "length_mm", length[1] + length[0] + length[2:])]


def _is_day_a_month(row: Row) -> bool:
    month, day = row["eventDate"][5:7], row["eventDate"][8:10]
    return int(day) <= 12 and month != day


def _swap_day_and_month(sheet: Sheet, kind: str) -> list[Planted]:
    """Day and month of an event changed round, on every line of the event."""
    place = sheet.pick(_is_day_a_month, kind)
    date = sheet.rows[place]["eventDate"]
    return _for_event(sheet, kind, place, f"{date[:5]}{date[8:10]}-{date[5:7]}{date[10:]}")


def _local_as_utc(sheet: Sheet, kind: str) -> list[Planted]:
    """Local time of an event written as if it were UTC, on every line of the event."""
    place = sheet.pick(lambda row: bool(row["eventDate"]), kind)
    return _for_event(sheet, kind, place, f"{sheet.rows[place]['eventDate'][:19]}+00:00")


def _clock_off(sheet: Sheet, kind: str) -> list[Planted]:
    """The sheet's clock a day ahead of the camera's, on every line of the event."""
    place = sheet.pick(lambda row: bool(row["eventDate"]), kind)
    later = datetime.fromisoformat(sheet.rows[place]["eventDate"]) + timedelta(days=1)
    return _for_event(sheet, kind, place, later.isoformat())


def _for_event(sheet: Sheet, kind: str, place: int, date: str) -> list[Planted]:
    event = sheet.rows[place]["eventID"]
    return [sheet.write(kind, i, "eventDate", date) for i, row in enumerate(sheet.rows) if row["eventID"] == event]


def _tag(rng: np.random.Generator) -> str:
    """A test tag: prefix 999, 15 digits, the last twelve a number of 38 bits (handbook 1)."""
    return f"999{int(rng.integers(2**38)):012d}"


def _same_tag_twice(sheet: Sheet, kind: str) -> list[Planted]:
    """Two fish of one event with the same tag."""
    place = sheet.pick(lambda row: sum(other["eventID"] == row["eventID"] for other in sheet.rows) > 1, kind)
    event = sheet.rows[place]["eventID"]
    other = next(i for i, row in enumerate(sheet.rows) if row["eventID"] == event and i != place)
    tag = _tag(sheet.rng)
    return [sheet.write(kind, i, "organismID", tag) for i in sorted((place, other))]


def _short_tag(sheet: Sheet, kind: str) -> list[Planted]:
    """A tag with one digit dropped."""
    return [sheet.write(kind, sheet.pick(_measured, kind), "organismID", _tag(sheet.rng)[:-1])]


def _shift_images(sheet: Sheet, kind: str) -> list[Planted]:
    """After a skipped frame the images of four lines are each one line off."""
    count = min(4, len(sheet.rows))
    if count < 2:
        raise InputError(f"Sheet has {len(sheet.rows)} line, the fault {kind!r} needs 2", do="Take a larger batch.")
    first = int(sheet.rng.integers(len(sheet.rows) - count + 1))
    images = [sheet.rows[first + i]["image"] for i in range(count)]
    moved = [*images[1:], images[0]]
    return [sheet.write(kind, first + i, "image", image) for i, image in enumerate(moved)]


def _as_zero(column: str) -> Callable[[Sheet, str], list[Planted]]:
    """An unknown number filled in as 0."""

    def spoil(sheet: Sheet, kind: str) -> list[Planted]:
        return [sheet.write(kind, sheet.pick(_measured, kind), column, "0")]

    return spoil


def _impossible_clip(sheet: Sheet, kind: str) -> list[Planted]:
    """An adipose clip on a fish that has no adipose fin."""
    place = sheet.pick(lambda row: row["code"] in {"AMS", "GZS", "WPE", "STB", "EEL", "ASE", "NSH"}, kind)
    return [sheet.write(kind, place, "mark", "AD")]


def _image_used_twice(sheet: Sheet, kind: str) -> list[Planted]:
    """One line carries the image of another, whose own is left without a line."""
    place = sheet.pick(lambda row: row is not sheet.rows[0], kind)
    return [sheet.write(kind, place, "image", sheet.rows[place - 1]["image"])]


def _number_used_twice(sheet: Sheet, kind: str) -> list[Planted]:
    """Two fish of one event with the same number."""
    place = sheet.pick(lambda row: row["individual"] != "1", kind)
    return [sheet.write(kind, place, "individual", str(int(sheet.rows[place]["individual"]) - 1))]


KINDS: MappingProxyType[str, Callable[[Sheet, str], list[Planted]]] = MappingProxyType({
    "length and weight swapped": _swap_length_and_weight,
    "columns swapped on the whole sheet": _swap_columns,
    "length in cm": _scaled("length_mm", 0.1),
    "length in inches": _scaled("length_mm", 1 / 25.4),
    "weight in kg": _scaled("weight_g", 1e-3),
    "weight in pounds": _scaled("weight_g", 1 / 453.59237),
    "weight in ounces": _scaled("weight_g", 1 / 28.349523125),
    "weight with its decimal moved": _scaled("weight_g", 10),
    "total length as fork length": _total_as_fork,
    "species code slip": _slip_code,
    "digits swapped": _swap_digits,
    "day and month swapped": _swap_day_and_month,
    "local time as UTC": _local_as_utc,
    "clock a day off": _clock_off,
    "same tag twice": _same_tag_twice,
    "tag digit dropped": _short_tag,
    "images one line off": _shift_images,
    "unknown length as 0": _as_zero("length_mm"),
    "unknown weight as 0": _as_zero("weight_g"),
    "adipose clip without adipose fin": _impossible_clip,
    "image on two lines": _image_used_twice,
    "fish number used twice": _number_used_twice,
})  # fmt: skip
"""What can be planted (handbook 1, "Typical error"): by name, the function that does it."""
