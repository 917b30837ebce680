"""What a permit and its protocol allow: dates, waters, gear, species and numbers (``permits.toml``).

::

    format = 1
    [[permits]]
    number = "QSP-31-114"
    protocol = "ACP-0291"
    from = 2031-04-01
    until = 2031-10-31
    waters = ["QMR-KBW-01", "LTB-*"]    # site codes; * stands for anything
    gear = ["TRP", "FYK"]               # codes as the sheet writes them; leave out for any
    max_temperature_C = 22.0            # above it handling stops; leave out for none
    [[permits.species]]
    name = "Alosa sapidissima"
    allowed = 400                       # individuals handled; leave out for any number

Comes in: the file. Goes out: :class:`Permit` records and what of a batch lies outside one. How many were handled
before is known to the store alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import date
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from passage_cv.config import Settings, read_settings
from passage_cv.errors import InputError
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.lines import Line
from passage_cv.intake.sheet import PERMITS
from passage_cv.intake.times import parse_window
from passage_cv.records import Finding

_Outside = Callable[["Permit", str], str]
Word = Annotated[str, Field(min_length=1, pattern=r"\S")]


class PermittedSpecies(Settings):
    """A species that may be handled, and how many; None is no limit on the number."""

    name: Word
    allowed: Annotated[int, Field(ge=0)] | None = None


class Permit(Settings):
    """One permit with its animal-care protocol; an empty list limits nothing."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    number: Word
    protocol: Word
    start: date = Field(alias="from")
    until: date
    waters: tuple[Word, ...] = ()
    gear: tuple[Word, ...] = ()
    max_temperature_C: float | None = None
    species: tuple[PermittedSpecies, ...] = ()

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.until < self.start:
            raise ValueError(f"permit {self.number} runs from {self.start} until {self.until}")
        names = [one.name for one in self.species]
        if len(set(names)) != len(names):
            raise ValueError(f"permit {self.number} names a species twice: {', '.join(names)}")
        return self

    def allowed_of(self, name: str) -> PermittedSpecies | None:
        """What it says of a species by scientific name; None where it names species and not this one."""
        if not self.species:
            return PermittedSpecies(name=name)
        return next((one for one in self.species if one.name == name), None)


class PermitsFile(Settings):
    """The content of ``permits.toml``."""

    format: Literal[1]
    permits: Annotated[tuple[Permit, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _once_each(self) -> Self:
        numbers = [one.number for one in self.permits]
        if len(set(numbers)) != len(numbers):
            raise ValueError(f"permits stand twice: {', '.join(numbers)}")
        return self


def read_permits(path: Path) -> tuple[Permit, ...]:
    """Read a permits file.

    Raises
    ------
    InputError
        Naming every key that is missing, unknown or out of range.
    """
    return read_settings(path, PermitsFile).permits


def permits_of(batch: CheckedBatch) -> tuple[Permit, ...]:
    """The permits beside a batch's sheet; none where there is no file, or one that :func:`check_permits` tells of."""
    path = batch.folder / PERMITS
    try:
        return read_permits(path) if path.is_file() else ()
    except InputError:
        return ()


def check_permits(batch: CheckedBatch) -> list[Finding]:
    """Everything in a batch that lies outside the permit it refers to, as far as the batch's own file says."""
    path = batch.folder / PERMITS
    if not path.is_file():
        return []
    try:
        permits = {one.number: one for one in read_permits(path)}
    except InputError as error:
        return [Finding("permits file", "must resolve", f"{PERMITS}: {error.what}", proposal="Correct the file")]
    findings = []
    for number, lines in lines_by_permit(batch).items():
        if number in permits:
            findings += list(outside_permit(permits[number], lines))
        else:
            findings.append(
                Finding(
                    "permit not on file",
                    "please look",
                    f"Permit {number} is not in {PERMITS}, which has {', '.join(permits)}",
                    row=lines[0].row,
                    proposal="Correct the number, or add the permit to the file",
                )
            )
    return findings


def lines_by_permit(batch: CheckedBatch) -> dict[str, list[Line]]:
    """Lines that are kept, by the permit they refer to; lines without one left out."""
    found: dict[str, list[Line]] = {}
    for line in batch.kept_lines():
        if line.text["permit"]:
            found.setdefault(line.text["permit"], []).append(line)
    return found


def outside_permit(permit: Permit, lines: list[Line]) -> Iterator[Finding]:
    """What of some lines a permit does not allow; numbers are those of these lines alone."""
    yield from _each_once(permit, lines, "eventDate", _date_outside, "dates")
    yield from _each_once(permit, lines, "locationID", _water_outside, "waters")
    yield from _each_once(permit, lines, "gear", _gear_outside, "gear")
    yield from _each_once(permit, lines, "animalCareProtocol", _protocol_outside, "protocol")
    yield from _warm(permit, lines)
    yield from _species_outside(permit, lines)
    yield from too_many(permit, handled_in(lines), {}, row=lines[0].row)


def handled_in(lines: list[Line]) -> dict[str, int]:
    """Individuals per scientific name: those with a number or tag once each, counted-only lines by their count."""
    fish: dict[str, set[str]] = {}
    counted: dict[str, int] = {}
    for line in lines:
        if line.species is None or not line.shows_fish:
            continue
        name = line.species.scientific_name
        if line.individual:
            fish.setdefault(name, set()).add(line.individual)
        elif line.is_counted_only:
            counted[name] = counted.get(name, 0) + line.n_counted
    return {name: len(fish.get(name, ())) + counted.get(name, 0) for name in {**fish, **counted}}


def too_many(
    permit: Permit, handled: Mapping[str, int], before: Mapping[str, int], *, row: int | None = None
) -> Iterator[Finding]:
    """Species of which more were handled than a permit allows, with what was handled under it before."""
    for name, here in sorted(handled.items()):
        limit = permit.allowed_of(name)
        total = here + before.get(name, 0)
        if limit and limit.allowed is not None and total > limit.allowed:
            yield Finding(
                "over the permitted number",
                "please look",
                f"Permit {permit.number} allows {limit.allowed} {name}; {before.get(name, 0)} were handled before,"
                f" {here} here: {total - limit.allowed} too many",
                row=row,
                proposal="Tell the permit's holder and the agency before the next trip; do not change the numbers",
            )


def _each_once(permit: Permit, lines: list[Line], column: str, outside: _Outside, what: str) -> Iterator[Finding]:
    said: set[str] = set()
    for line in lines:
        text = line.text[column]
        if not text or text in said:
            continue
        said.add(text)
        problem = outside(permit, text)
        if problem:
            yield Finding(
                f"outside the permit's {what}",
                "please look",
                f"{column} {text} (row {line.row}) lies outside permit {permit.number}: {problem}",
                row=line.row,
                proposal="Correct the line if it is a slip; else tell the permit's holder",
            )


def _date_outside(permit: Permit, text: str) -> str:
    window = parse_window(text)
    if window is None or (permit.start <= window.start.date() and window.end.date() <= permit.until):
        return ""
    return f"it runs from {permit.start} until {permit.until}"


def _water_outside(permit: Permit, text: str) -> str:
    inside = not permit.waters or any(fnmatchcase(text, water) for water in permit.waters)
    return "" if inside else f"its waters are {', '.join(permit.waters)}"


def _gear_outside(permit: Permit, text: str) -> str:
    return "" if not permit.gear or text in permit.gear else f"its gear is {', '.join(permit.gear)}"


def _protocol_outside(permit: Permit, text: str) -> str:
    return "" if text == permit.protocol else f"its protocol is {permit.protocol}"


def _warm(permit: Permit, lines: list[Line]) -> Iterator[Finding]:
    ceiling = permit.max_temperature_C
    warm = [line for line in lines if ceiling is not None and (line.numbers["waterTemperature_C"] or 0) > ceiling]
    if warm and ceiling is not None:
        yield Finding(
            "warmer than the permit allows",
            "please look",
            f"Water of {warm[0].numbers['waterTemperature_C']:g} degrees (row {warm[0].row}, {len(warm)} lines) is"
            f" above the {ceiling:g} at which permit {permit.number} ends handling",
            row=warm[0].row,
        )


def _species_outside(permit: Permit, lines: list[Line]) -> Iterator[Finding]:
    for name, n in sorted(handled_in(lines).items()):
        if permit.allowed_of(name) is None:
            row = next(line.row for line in lines if line.species and line.species.scientific_name == name)
            yield Finding(
                "outside the permit's species",
                "please look",
                f"Permit {permit.number} does not name {name} ({n} handled, first in row {row})",
                row=row,
                proposal="Correct the name if it is a slip; else tell the permit's holder",
            )
