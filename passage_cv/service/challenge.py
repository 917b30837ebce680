"""A challenge set: dummy fish and printed targets, shown to the real cameras, through to the confirmed gate position.

Comes in: the list of what was shown, in order (CSV with ``target``, ``expected`` and perhaps ``position``), and the
log lines of the run. Goes out: for each target whether the gate did what it should. A target may allow several
actions (``hold;reject``); a position is by default that of the action.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.files import canonical_json
from passage_cv.records import Action
from passage_cv.service.log import GateLog, LogLine
from passage_cv.service.plant import POSITION_OF, Position

CHALLENGE = "challenge"


@dataclass(frozen=True, slots=True)
class Target:
    """What was shown, which actions are right, which positions (empty: that of the action)."""

    name: str
    expected: tuple[Action, ...]
    positions: tuple[Position, ...] = ()


@dataclass(frozen=True, slots=True)
class Shown:
    """One target and what the gate did; ``presentation_id`` is ``""`` where it saw nothing."""

    target: str
    expected: str
    presentation_id: str
    action: str
    confirmed: str
    ok: bool


def read_challenge(path: Path) -> tuple[Target, ...]:
    """Read the list of targets, in the order in which they are shown.

    Raises
    ------
    InputError
        If it is missing or empty, lacks a column, or names an action or position that there is not.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
    except FileNotFoundError as error:
        raise InputError("List of targets is missing", where=str(path), do="Check the path.") from error
    if not rows:
        raise InputError("List of targets is empty", where=str(path), do="Write a line per target.")
    return tuple(_target(row, f"{path}, row {number}") for number, row in enumerate(rows, start=2))


def judge_challenge(targets: Sequence[Target], lines: Sequence[LogLine]) -> tuple[Shown, ...]:
    """What the gate did with each target, the first line belonging to the first.

    Raises
    ------
    InputError
        If the gate saw another number of presentations: then nobody knows which was which.
    """
    if len(lines) != len(targets):
        raise InputError(
            f"{len(targets)} targets were listed, the gate saw {len(lines)} presentations",
            where="challenge",
            do="Show each target by itself, with empty water between, and run it again.",
        )
    return tuple(_shown(target, line) for target, line in zip(targets, lines, strict=True))


def note_challenge(log: GateLog, shown: Sequence[Shown], *, time: str, by: str) -> None:
    """Write down how a challenge went."""
    failed = [one.target for one in shown if not one.ok]
    detail = canonical_json({"targets": len(shown), "failed": failed}).decode()
    log.add_event(time=time, kind=CHALLENGE, detail=detail, by=by)


def _shown(target: Target, line: LogLine) -> Shown:
    wanted = target.positions or (POSITION_OF[line.action],)
    confirmed_right = not line.live or line.confirmed in [position.value for position in wanted]
    return Shown(
        target=target.name,
        expected=";".join(action.value for action in target.expected),
        presentation_id=line.presentation_id,
        action=line.action.value,
        confirmed=line.confirmed,
        ok=line.action in target.expected and confirmed_right,
    )


def _target(row: dict[str, str | None], where: str) -> Target:
    given = {key: (value or "").strip() for key, value in row.items()}
    try:
        expected = tuple(Action(word.strip()) for word in given["expected"].split(";"))
        positions = tuple(Position(word.strip()) for word in given.get("position", "").split(";") if word.strip())
    except (KeyError, ValueError) as error:
        raise _unreadable(str(error), where) from error
    if not given.get("target"):
        raise _unreadable("it has no name", where)
    return Target(given["target"], expected, positions)


def _unreadable(what: str, where: str) -> InputError:
    do = "Columns are target, expected (pass, hold, reject) and position."
    return InputError(f"Target cannot be read: {what}", where=where, do=do)
