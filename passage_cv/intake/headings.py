"""What a crew's headings probably mean: proposals with unit, confidence and samples, for a person to confirm.

Comes in: a sheet as received. Goes out: one proposal per heading that is not canonical and may be. Nothing is
renamed here; a confirmed choice is a ``layout``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from passage_cv.intake.columns import CANONICAL, CLOCK
from passage_cv.intake.heading_words import UNIT_PART, column_by_word
from passage_cv.intake.names import Names
from passage_cv.intake.sheet import Sheet
from passage_cv.intake.times import parse_time_of_day
from passage_cv.intake.units import SI_UNIT, read_unit

CONTENT = 0.7
"""Confidence where only the cells tell."""
UNKNOWN_UNIT = 0.5
"""Confidence where the heading names a unit that the column cannot have [ours: below any other]."""
UNSAID = "?"
"""Stands for the unit where a heading names one that nobody here knows: a person has to name it."""
JOINED = "a time of day, joined with eventDate into taken_at"
SAMPLES = 5

_IMAGE = re.compile(r".+\.(jpe?g|png|bmp|webp)", re.IGNORECASE)
_BRACKETS = re.compile(r"[\(\[\{]([^\)\]\}]+)[\)\]\}]")
_TAG = re.compile(r"[0-9]{15}")


@dataclass(frozen=True, slots=True)
class HeadingProposal:
    """What a heading probably is: ``unit`` and ``length_type`` are empty where they do not apply.

    ``note`` says where the unit is not the heading's own, and what a time of day is joined with.
    """

    heading: str
    column: str
    confidence: float
    unit: str = ""
    length_type: str = ""
    samples: tuple[str, ...] = ()
    note: str = ""


def propose_headings(sheet: Sheet, names: Names) -> list[HeadingProposal]:
    """Proposals for the headings that are not canonical, best first where two want one column.

    A heading that looks like no column gets none: such columns are kept and ignored.
    """
    taken = {heading for heading in sheet.headings if heading in CANONICAL}
    found = [
        proposal
        for heading in sheet.headings
        if heading and heading not in taken and (proposal := _propose(heading, sheet, names))
    ]
    best: list[HeadingProposal] = []
    for proposal in sorted(found, key=lambda one: -one.confidence):
        if proposal.column not in taken:
            taken.add(proposal.column)
            best.append(proposal)
    return sorted(best, key=lambda one: sheet.headings.index(one.heading))


def _propose(heading: str, sheet: Sheet, names: Names) -> HeadingProposal | None:
    samples = _samples(heading, sheet)
    found = column_by_word(heading) or _by_content(samples, names)
    if found is None:
        return None
    column, confidence, length_type = found
    if column == "code" or (column == "scientificName" and heading.casefold() == "species"):
        column = _name_or_code(samples, names)
    if column == "taken_at" and _are_times_alone(samples):
        column = CLOCK
    unit, note = ("", JOINED) if column == CLOCK else _unit_of(heading, column)
    return HeadingProposal(
        heading=heading,
        column=column,
        confidence=UNKNOWN_UNIT if unit == UNSAID else confidence,
        unit=unit,
        length_type=length_type,
        samples=tuple(samples[:SAMPLES]),
        note=note,
    )


def _by_content(samples: Sequence[str], names: Names) -> tuple[str, float, str] | None:
    """Column by what most cells look like; only kinds that cannot be mistaken."""
    kinds = (
        ("image", lambda cell: bool(_IMAGE.fullmatch(cell))),
        ("organismID", lambda cell: bool(_TAG.fullmatch(cell))),
        ("scientificName", lambda cell: len(cell) > 4 and names.find(cell) is not None and not names.is_open),
    )
    for column, is_kind in kinds:
        if samples and sum(map(is_kind, samples)) >= 0.8 * len(samples):
            return column, CONTENT, ""
    return None


def _name_or_code(samples: Sequence[str], names: Names) -> str:
    """Whether cells are codes or names, by their length and letters."""
    codes = sum(1 for cell in samples if len(cell) <= 4 and (found := names.find(cell)) and found.code)
    return "code" if samples and codes >= 0.5 * len(samples) else "scientificName"


def _are_times_alone(samples: Sequence[str]) -> bool:
    """Whether most cells are a time of day without a date."""
    alone = sum(1 for cell in samples if parse_time_of_day(cell))
    return bool(samples) and alone >= 0.5 * len(samples)


def _unit_of(heading: str, column: str) -> tuple[str, str]:
    """The unit in a heading and what is doubtful about it; both empty for text.

    A unit in brackets that the column cannot have is nobody's to guess; without any, the column's own is proposed.
    """
    if column not in SI_UNIT:
        return "", ""
    bracketed = [text.strip() for text in _BRACKETS.findall(heading)]
    last = UNIT_PART.search(_BRACKETS.sub("", heading).rstrip())
    for text in [*bracketed, *([last[2]] if last and last[2] else [])]:
        unit = read_unit(text, column)
        if unit:
            return unit, ""
    if bracketed:
        return UNSAID, f"unit {bracketed[0]!r} not known"
    return SI_UNIT[column], "unit not written"


def _samples(heading: str, sheet: Sheet) -> list[str]:
    return [row.cells[heading] for row in sheet.rows if row.cells.get(heading)][:50]
