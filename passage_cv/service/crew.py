"""A shadow run beside the crew: what the gate would have done with each fish, and what people did with it.

Comes in: the gate log, and the crew's own list (CSV with ``presentation_id`` or ``time``, ``action``, and ``class``
where they named the fish). Goes out: a table of both actions, agreement beyond chance, and every fish that the gate
would have treated more lightly than the crew did.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.policy import Group
from passage_cv.records import Action
from passage_cv.service.log import LogLine
from passage_cv.stats.agreement import Estimate, cohen_kappa

BY_CREW = (Action.PASS, Action.HOLD, Action.REJECT)
TOLERANCE_S = 10.0
"""How far a crew's time may lie from the gate's [ours]."""


@dataclass(frozen=True, slots=True)
class CrewLine:
    """What the crew did with one fish; ``row`` as the spreadsheet shows it, ``label`` what they called it."""

    row: int
    presentation_id: str
    time: str
    action: Action
    label: str


@dataclass(frozen=True, slots=True)
class Difference:
    """One fish that gate and crew treated otherwise; ``serious`` where the gate would have passed an excluded one."""

    presentation_id: str
    gate: Action
    crew: Action
    label: str
    serious: bool


@dataclass(frozen=True, slots=True)
class CrewReport:
    """Both actions side by side; ``kappa`` is None where one of the two always did the same."""

    n: int
    counts: Mapping[Action, Mapping[Action, int]]
    agreed: int
    kappa: Estimate | None
    differences: tuple[Difference, ...]
    only_crew: tuple[int, ...]
    only_gate: int


def read_crew(path: Path) -> tuple[CrewLine, ...]:
    """Read the crew's list.

    Raises
    ------
    InputError
        If it is missing, lacks a column, or a row has no known action or names no fish.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
    except FileNotFoundError as error:
        raise InputError("List is missing", where=str(path), do="Check the path.") from error
    return tuple(_crew_line(row, number, path) for number, row in enumerate(rows, start=2))


def compare_with_crew(
    lines: Sequence[LogLine],
    crew: Sequence[CrewLine],
    groups: Mapping[str, Group],
    *,
    tolerance_s: float = TOLERANCE_S,
) -> CrewReport:
    """Match the crew's fish to presentations and compare what was done.

    A presentation is matched once; by its name where the crew wrote it, else to the nearest time.
    """
    free = {line.presentation_id: line for line in lines}
    pairs: list[tuple[LogLine, CrewLine]] = []
    for one in sorted(crew, key=lambda one: not one.presentation_id):  # names first, then times
        found = _match(one, free, tolerance_s)
        if found is not None:
            pairs.append((free.pop(found), one))
    table = Counter((line.action, one.action) for line, one in pairs)
    matched = {one.row for _, one in pairs}
    return CrewReport(
        n=len(pairs),
        counts={gate: {by: table[gate, by] for by in BY_CREW} for gate in Action},
        agreed=sum(line.action is one.action for line, one in pairs),
        kappa=_kappa(table),
        differences=tuple(
            sorted((_difference(*pair, groups) for pair in pairs if pair[0].action is not pair[1].action), key=_rank)
        ),
        only_crew=tuple(one.row for one in crew if one.row not in matched),
        only_gate=len(free),
    )


def _match(one: CrewLine, free: Mapping[str, LogLine], tolerance_s: float) -> str | None:
    if one.presentation_id:
        return one.presentation_id if one.presentation_id in free else None
    at = datetime.fromisoformat(one.time)
    apart = {name: abs((datetime.fromisoformat(line.time) - at).total_seconds()) for name, line in free.items()}
    nearest = min(apart, key=apart.__getitem__, default=None)
    return nearest if nearest is not None and apart[nearest] <= tolerance_s else None


def _kappa(table: Mapping[tuple[Action, Action], int]) -> Estimate | None:
    """Agreement beyond chance over the three actions that both can take."""
    counts = [[table.get((gate, by), 0) for by in BY_CREW] for gate in BY_CREW]
    by_gate, by_crew = [sum(row) for row in counts], [sum(column) for column in zip(*counts, strict=True)]
    if any(max(margin) == sum(margin) for margin in (by_gate, by_crew)):
        return None
    return cohen_kappa(counts)


def _difference(line: LogLine, one: CrewLine, groups: Mapping[str, Group]) -> Difference:
    serious = line.action is Action.PASS and groups.get(one.label) == "exclude"
    return Difference(line.presentation_id, line.action, one.action, one.label, serious)


def _rank(one: Difference) -> tuple[bool, bool, str]:
    """The serious first, then those the gate would have passed."""
    return (not one.serious, one.gate is not Action.PASS, one.presentation_id)


def _crew_line(row: Mapping[str, str | None], number: int, path: Path) -> CrewLine:
    given = {key: (value or "").strip() for key, value in row.items()}
    where = f"{path}, row {number}"
    if given.get("action") not in [action.value for action in BY_CREW]:
        words = ", ".join(action.value for action in BY_CREW)
        raise InputError(f"Action is {given.get('action')!r}, needed {words}", where=where, do="Correct the row.")
    if not given.get("presentation_id"):
        _require_time(given.get("time", ""), where)
    return CrewLine(
        row=number,
        presentation_id=given.get("presentation_id", ""),
        time=given.get("time", ""),
        action=Action(given["action"]),
        label=given.get("class", ""),
    )


def _require_time(text: str, where: str) -> None:
    try:
        has_offset = datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        has_offset = False
    if not has_offset:
        raise InputError(
            f"Row names no presentation and its time is {text!r}",
            where=where,
            do="Give an ISO 8601 time with offset.",
        )
