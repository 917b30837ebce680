"""Fish whose species somebody changed or let stand against the sheet: a second pair of eyes, never the same one.

Comes in: a batch with its decisions. Goes out: a record of every fish that was called two species, for a second
reader, and a refusal where the one who decided is the one who had named or recorded the fish.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.lines import Line
from passage_cv.intake.names import Species
from passage_cv.intake.resolutions import Correction
from passage_cv.records import Finding

NAMING = ("scientificName", "code")
"""Columns that say what a fish is."""
CONFLICT = "name and code differ"
DISPUTED = "disputed species"
"""Kind of the finding that sends a fish to a second reader; ``dataset.second_look`` looks for it."""


def check_disputed_species(batch: CheckedBatch) -> list[Finding]:
    """Species corrected from one valid name to another, and conflicts that their own reader decided."""
    lines = {line.row: line for line in batch.kept_lines()}
    findings: list[Finding] = []
    for one in batch.resolutions.correct:
        line = lines.get(one.row)
        if line is not None and (pair := _two_species(batch, one)):
            findings += _disputed(line, one, *pair)
            if _was_conflict(batch, line, one):
                findings += _own_reader(line, one.who)
    for stand in batch.resolutions.let_stand:
        line = lines.get(stand.row or 0)
        if line is not None and stand.kind == CONFLICT:
            findings += _own_reader(line, stand.who)
    return findings


def initials(text: str) -> set[str]:
    """The initials of the people that a cell names, in capitals; those of a full name are its first letters.

    Examples
    --------
    >>> sorted(initials("RKV; tbo")), initials("Elin Quarrie")
    (['RKV', 'TBO'], {'EQ'})
    """
    people = (part.strip() for part in re.split(r"[;,/&|+]", text))
    return {
        "".join(word[0] for word in words) if len(words) > 1 else words[0]
        for person in people
        if (words := re.findall(r"\w+", person.upper()))
    }


def _two_species(batch: CheckedBatch, one: Correction) -> tuple[Species, Species] | None:
    """What the fish was called and what it became, where both are known and are two species."""
    columns = {use.heading: use.column for use in batch.layout.use} if batch.layout else {}
    if columns.get(one.column, one.column) not in NAMING:
        return None
    before, now = batch.names.find(one.was), batch.names.find(one.becomes)
    is_changed = before and now and before.scientific_name != now.scientific_name
    return (before, now) if before and now and is_changed else None


def _was_conflict(batch: CheckedBatch, line: Line, one: Correction) -> bool:
    """Whether the sheet's other column called the fish something else than the cell that was corrected."""
    before = batch.names.find(one.was)
    corrected = {other.column: other.was for other in batch.resolutions.correct if other.row == one.row}
    columns = {use.column: use.heading for use in batch.layout.use} if batch.layout else {}
    for name in NAMING:
        heading = columns.get(name, name)
        other = batch.names.find(corrected.get(heading, line.cells.get(heading, "")))
        if heading != one.column and other and before and other.scientific_name != before.scientific_name:
            return True
    return False


def _disputed(line: Line, one: Correction, before: Species, now: Species) -> Iterator[Finding]:
    yield Finding(
        DISPUTED,
        "please look",
        f"Row {line.row}: {one.who} corrected {before.scientific_name} to {now.scientific_name} ({one.why})",
        row=line.row,
        image=line.images[0] if line.images else None,
        proposal="For a second reader, who does not see either name (passage-cv labels)",
    )


def _own_reader(line: Line, who: str) -> Iterator[Finding]:
    """A refusal where the one who decided had named or recorded the fish."""
    own = initials(line.text["identifiedBy"]) | initials(line.text["recordedBy"])
    if initials(who) & own:
        yield Finding(
            "decided by its own reader",
            "must resolve",
            f"Row {line.row}: {who} decided between name and code of a fish that {', '.join(sorted(own))} named"
            " or recorded",
            row=line.row,
            proposal="Have somebody else look at the fish and decide",
        )
