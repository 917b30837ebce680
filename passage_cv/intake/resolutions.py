"""What people decided about a batch's findings: who, when it is about what, and why.

``resolutions.toml`` beside the sheet holds three kinds of decision, each applied by a person's hand only:
pictures left out, cells corrected (the cell as received is kept), and findings let stand. Some findings
cannot be let stand, because the rows would mean nothing; those need a correction or an exclusion.

::

    format = 1
    [[exclude]]
    image = "images/0007.jpg"
    why = "hand in view"
    who = "TBO"
    [[correct]]
    row = 12
    column = "length_mm"
    was = "47.5"
    becomes = "475"
    why = "written in cm"
    who = "TBO"
    [[let_stand]]
    kind = "weight for length"
    row = 14
    why = "spent female, read again by ELQ"
    who = "ELQ"
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import Field

from passage_cv.config import Settings, read_settings
from passage_cv.files import write_text
from passage_cv.intake.sheet import RESOLUTIONS, Sheet
from passage_cv.intake.toml_text import toml_string
from passage_cv.records import Finding

Words = Annotated[str, Field(min_length=1, pattern=r"\S")]
Signed = Annotated[str, Field(min_length=1, pattern=r"[^\s?]")]
"""Who and why: a draft's own question marks decide nothing."""

KNOWN_NUMBERS = "fish numbers in the store"
"""A finding that shows beside the data set alone: a decision about it is in vain in no batch by itself."""

CAN_STAND = frozenset(
    {
        "weight for length",
        "out of range",
        "FL above TL",
        "SL above FL",
        "SL above TL",
        "mark",
        "two lengths of one fish",
        "tag number",
        "tag in two places",
        "name and code differ",
        "row without picture",
        "day of a time",
        "day of the event",
        "sheet not read",
        KNOWN_NUMBERS,
    }
)
"""Findings of severity ``must resolve`` that a person may let stand; all others need the data changed."""

_OPEN: dict[str, Any] = {"why": "?", "who": "?"}
"""What stands in a draft until somebody signs it."""


class Exclusion(Settings):
    """A picture left out."""

    image: Words
    why: Signed
    who: Signed


class Correction(Settings):
    """One cell, as received and as it should be; refused where the sheet says something else by now."""

    row: Annotated[int, Field(ge=2)]
    column: Words
    was: str
    becomes: str
    why: Signed
    who: Signed


class LetStand(Settings):
    """A finding that was looked at and is no fault."""

    kind: Words
    row: int | None = None
    image: str | None = None
    why: Signed
    who: Signed

    def fits(self, finding: Finding) -> bool:
        """Whether this decision is about that finding."""
        same_image = self.image is None or self.image == finding.image
        return finding.kind == self.kind and self.row == finding.row and same_image


class Resolutions(Settings):
    """All decisions about one batch."""

    format: Literal[1] = 1
    exclude: tuple[Exclusion, ...] = ()
    correct: tuple[Correction, ...] = ()
    let_stand: tuple[LetStand, ...] = ()

    def stands(self, finding: Finding) -> LetStand | None:
        """The decision that lets a finding stand, or None."""
        if finding.severity == "must resolve" and finding.kind not in CAN_STAND:
            return None
        return next((decision for decision in self.let_stand if decision.fits(finding)), None)


def is_signed(text: str) -> bool:
    """Whether a name or a reason says anything beside question marks."""
    return re.search(r"[^\s?]", text) is not None


def read_resolutions(folder: Path) -> Resolutions:
    """The decisions beside a batch's sheet; none where there is no such file.

    Raises
    ------
    InputError
        If the file cannot be read, or a decision lacks who or why.
    """
    path = folder / RESOLUTIONS
    return read_settings(path, Resolutions) if path.is_file() else Resolutions()


def write_resolutions(folder: Path, resolutions: Resolutions) -> Path:
    """Write the decisions beside a batch's sheet, in place of those that were there."""
    tables = (
        ("exclude", resolutions.exclude),
        ("correct", resolutions.correct),
        ("let_stand", resolutions.let_stand),
    )
    blocks = [_block(name, entry) for name, entries in tables for entry in entries]
    path = folder / RESOLUTIONS
    write_text(path, "\n".join([f"format = {resolutions.format}\n", *blocks]))
    return path


def draft_resolutions(
    batch_findings: Iterable[Finding],
    cells: Mapping[int, Mapping[str, str]] = MappingProxyType({}),
    received: Callable[[str, str], tuple[str, str]] = lambda column, value: (column, value),
) -> str:
    """A file to fill in: every finding as a comment above the decisions that may answer it, all switched off.

    ``cells`` are the sheet's rows as received: where a finding proposes one cell of them, it stands there already,
    under the heading and in the unit that ``received`` gives for a column and a value of it.
    """
    blocks = ["format = 1\n"]
    for finding in batch_findings:
        entries: list[tuple[str, Settings]] = (
            [("correct", _correction(finding, finding.row, cells.get(finding.row, {}), received))]
            if finding.row
            else []
        )
        if finding.image:
            entries.append(("exclude", Exclusion.model_construct(image=finding.image, **_OPEN)))
        if finding.severity != "must resolve" or finding.kind in CAN_STAND:
            stand = LetStand.model_construct(kind=finding.kind, row=finding.row, image=finding.image, **_OPEN)
            entries.append(("let_stand", stand))
        text = "\n".join([finding.message, finding.proposal or "", *(_block(name, entry) for name, entry in entries)])
        blocks.append("\n".join(f"# {line}" for line in text.splitlines() if line) + "\n")
    return "\n".join(blocks)


def _correction(
    finding: Finding, row: int, cells: Mapping[str, str], received: Callable[[str, str], tuple[str, str]]
) -> Correction:
    change = finding.change
    column, becomes = received(change.column, change.value) if change else ("", "")
    if column in cells:
        return Correction.model_construct(row=row, column=column, was=cells[column], becomes=becomes, **_OPEN)
    return Correction.model_construct(row=row, column="?", was="?", becomes="?", **_OPEN)


def apply_corrections(sheet: Sheet, corrections: Sequence[Correction]) -> tuple[Sheet, list[Finding]]:
    """The sheet with corrected cells, and what could not be corrected because the sheet has changed."""
    findings: list[Finding] = []
    rows = {row.number: row for row in sheet.rows}
    for one in corrections:
        row = rows.get(one.row)
        found = row.cells.get(one.column, "") if row else None
        if row is None or found != one.was:
            findings.append(_lost(one, found))
            continue
        rows[one.row] = replace(row, cells={**row.cells, one.column: one.becomes})
    return replace(sheet, rows=tuple(rows.values())), findings


def check_decisions(resolutions: Resolutions, findings: Iterable[Finding]) -> list[Finding]:
    """Decisions that are about no finding, or let stand what cannot."""
    known = list(findings)
    return [
        Finding(
            "decision in vain", "please look", f"{_about(one)} is let stand, but there is no such finding", one.row
        )
        if one.kind in CAN_STAND or not any(one.fits(finding) for finding in known)
        else Finding("cannot stand", "must resolve", f"{_about(one)} cannot be let stand", one.row, one.image)
        for one in resolutions.let_stand
        if one.kind != KNOWN_NUMBERS
        and not any(resolutions.stands(finding) is not None and one.fits(finding) for finding in known)
    ]


def _lost(one: Correction, found: str | None) -> Finding:
    says = "there is no such row" if found is None else f"it is {found!r} now"
    return Finding(
        "correction without its cell",
        "must resolve",
        f"Row {one.row}: {one.column} was to be corrected from {one.was!r} to {one.becomes!r}, but {says}",
        row=one.row,
        proposal=f"Look again and change {RESOLUTIONS}",
    )


def _about(one: LetStand) -> str:
    place = ", ".join(filter(None, [f"row {one.row}" if one.row else "", one.image or ""]))
    return f"{one.kind} ({place})" if place else one.kind


def _block(name: str, entry: Settings) -> str:
    lines = [f"[[{name}]]"]
    for key, value in entry.model_dump(exclude_none=True).items():
        lines.append(f"{key} = {value if isinstance(value, int) else toml_string(value)}")
    return "\n".join(lines) + "\n"
