"""Replay presentations from a folder through a gate package alone, and write the gate log.

``presentations.csv`` names each presentation, its time, set-up and pictures. What the fish really were lies in
another file, which only :func:`score_against_truth` opens, afterwards.
"""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.gate.runtime import GateDecision, Package, open_package
from passage_cv.gate.site import Audit
from passage_cv.policy import Group
from passage_cv.progress import Progress, silent, tracked
from passage_cv.records import Action
from passage_cv.service.audit import is_drawn
from passage_cv.service.log import GateLog, LogLine

PRESENTATIONS = "presentations.csv"
TRUTH = "truth.csv"
NEEDED = ("presentation_id", "time", "site", "event", "setup_id", "camera", "images")
TWO_FISH, EMPTY, UNKNOWN = "two fish in view", "empty view", "unknown to the policy"


@dataclass(frozen=True, slots=True)
class TrafficSummary:
    """How a slice of traffic went through the package: presentations per action, and the log's place."""

    log: Path
    package_id: str
    presentations: int
    actions: Mapping[Action, int]
    hold_reasons: Mapping[str, int]
    slowest_ms: float


@dataclass(frozen=True, slots=True)
class TruthCount:
    """What was done with the presentations of one class or group."""

    name: str
    group: str
    n: int
    actions: Mapping[Action, int]


def run_traffic(
    package: Path, traffic: Path, log: Path, progress: Progress = silent, *, audit: Audit | None = None
) -> TrafficSummary:
    """Send every presentation of a folder through a package and log each before the next.

    Parameters
    ----------
    package
        Folder of a gate package; checked byte by byte before it is loaded.
    traffic
        Folder with ``presentations.csv`` and the pictures it names.
    log
        Gate log to append to; made if it is not there.
    audit
        Marks a random share of presentations for a person to look at; none by default.

    Raises
    ------
    InputError
        If the package is altered, the list is missing or lacks a column, a presentation is in the log
        already, or a line cannot be written.
    """
    rows = read_presentations(traffic / PRESENTATIONS)
    gate = open_package(package)
    lines: list[LogLine] = []
    with GateLog(log) as open_log:
        _require_new(open_log, rows, log)
        for row in tracked(rows, "Gate traffic", progress):
            line = _decide(gate, traffic, row, audit)
            open_log.append(line)
            lines.append(line)
    return TrafficSummary(
        log=log,
        package_id=gate.manifest.package_id,
        presentations=len(lines),
        actions=_count_actions(lines),
        hold_reasons=Counter(line.hold_reason for line in lines if line.hold_reason),
        slowest_ms=max((line.latency_ms for line in lines), default=0.0),
    )


def read_presentations(path: Path) -> tuple[dict[str, str], ...]:
    """The rows of a presentations list.

    Raises
    ------
    InputError
        If it is missing, lacks a column, has a ragged row, or names a presentation twice.
    """
    rows = _read_rows(path, NEEDED)
    twice = [name for name, n in Counter(row["presentation_id"] for row in rows).items() if n > 1]
    if twice:
        named = ", ".join(twice[:10])
        raise InputError(f"Presentations named more than once: {named}", where=str(path), do="Name each once.")
    return rows


def score_against_truth(
    log: Path, truth: Path, groups: Mapping[str, Group]
) -> tuple[tuple[TruthCount, ...], tuple[TruthCount, ...]]:
    """Count the log's actions by true group and by true class, for the closing words of a demonstration.

    Returns
    -------
    tuple
        Counts per group, then per class. Two fish in one view, empty views and classes that the policy does
        not have are groups of their own.

    Raises
    ------
    InputError
        If the truth is missing, lacks a column, or has no line for a logged presentation.
    """
    labels = {row["presentation_id"]: row["class"] for row in _read_rows(truth, ("presentation_id", "class"))}
    with GateLog.open_existing(log) as open_log:
        lines = list(open_log.lines())
    missing = [line.presentation_id for line in lines if line.presentation_id not in labels]
    if missing:
        raise InputError(
            f"{len(missing)} logged presentations have no true class: {', '.join(missing[:10])}",
            where=str(truth),
            do="Give the truth that belongs to this traffic.",
        )
    labelled = [(labels[line.presentation_id], line) for line in lines]
    by_group = [(group_of(label, groups), line) for label, line in labelled]
    order = [*dict.fromkeys(groups.values()), TWO_FISH, EMPTY, UNKNOWN]
    classes = sorted({label for label, _ in labelled if group_of(label, groups) in groups.values()})
    return (
        tuple(_count(name, name, by_group) for name in order if any(group == name for group, _ in by_group)),
        tuple(_count(name, groups[name], labelled) for name in classes),
    )


def group_of(label: str, groups: Mapping[str, Group]) -> str:
    """The policy group of a true label, or what else was in the view.

    Examples
    --------
    >>> [group_of(label, {"NSH": "exclude"}) for label in ("NSH", "NSH+AMS", "", "CRP")]
    ['exclude', 'two fish in view', 'empty view', 'unknown to the policy']
    """
    if label in groups:
        return groups[label]
    return EMPTY if not label else TWO_FISH if "+" in label else UNKNOWN


def _decide(gate: Package, traffic: Path, row: Mapping[str, str], audit: Audit | None) -> LogLine:
    images = tuple(name for name in row["images"].split(";") if name)
    made = gate.decide([traffic / name for name in images], setup_id=row["setup_id"])
    return LogLine(
        presentation_id=row["presentation_id"],
        time=row["time"],
        site=row["site"],
        event=row["event"],
        setup_id=row["setup_id"],
        camera=row["camera"],
        package_id=gate.manifest.package_id,
        policy_sha256=gate.manifest.policy_sha256,
        image_sha256s=made.image_sha256s,
        image_paths=images,
        logits=_by_class(made, gate.cutoffs.classes),
        unfamiliarity=None if math.isnan(made.unfamiliarity) else made.unfamiliarity,
        score=made.score,
        action=made.action,
        reason=made.reason,
        hold_reason=made.hold_reason,
        latency_ms=made.latency_ms,
        light=row.get("light", ""),
        turbidity_NTU=_number(row, "turbidity_NTU"),
        waterTemperature_C=_number(row, "waterTemperature_C"),
        audit=audit is not None and is_drawn(row["presentation_id"], audit),
    )


def _by_class(made: GateDecision, classes: Sequence[str]) -> dict[str, tuple[float, ...]]:
    return {name: tuple(float(x) for x in made.logits[:, place]) for place, name in enumerate(classes)}


def _number(row: Mapping[str, str], name: str) -> float | None:
    """A measurement beside the picture; one that cannot be read is unknown and never decides anything."""
    try:
        return float(row[name])
    except (KeyError, ValueError):
        return None


def _count_actions(lines: Sequence[LogLine]) -> dict[Action, int]:
    found = Counter(line.action for line in lines)
    return {action: found[action] for action in Action}


def _count(name: str, group: str, labelled: Sequence[tuple[str, LogLine]]) -> TruthCount:
    own = [line for label, line in labelled if label == name]
    return TruthCount(name, group, len(own), _count_actions(own))


def _require_new(log: GateLog, rows: Sequence[Mapping[str, str]], path: Path) -> None:
    known = log.known(row["presentation_id"] for row in rows)
    if known:
        raise InputError(
            f"{len(known)} of {len(rows)} presentations are in the log already: {', '.join(known[:10])}",
            where=str(path),
            do="Give a new log; a line is never written twice.",
        )


def _read_rows(path: Path, needed: Sequence[str]) -> tuple[dict[str, str], ...]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            head, *body = list(csv.reader(stream)) or [[]]
    except FileNotFoundError as error:
        raise InputError("List is missing", where=str(path), do="Check the folder.") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"List cannot be read: {error}", where=str(path), do="Save it as CSV UTF-8.") from error
    absent = [name for name in needed if name not in head]
    if absent:
        raise InputError(f"Columns are missing: {', '.join(absent)}", where=str(path), do="Add them.")
    for number, cells in enumerate(body, start=2):
        if len(cells) != len(head):
            raise InputError(
                f"Row {number} has {len(cells)} cells, the headings have {len(head)}",
                where=str(path),
                do="Correct it.",
            )
    return tuple(dict(zip(head, cells, strict=True)) for cells in body)
