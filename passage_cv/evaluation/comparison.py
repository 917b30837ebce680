"""The report before: what changed, and the same fish judged twice.

Comes in: this assessment and the folder or ``evaluation.json`` of an earlier one. Goes out: what is different in
model, data and policy, rates side by side, and an exact paired test on the individuals that both judged.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from passage_cv.errors import InputError
from passage_cv.evaluation.assess import Assessment
from passage_cv.evaluation.judging import label_codes
from passage_cv.evaluation.misses import ClassCount
from passage_cv.files import read_json
from passage_cv.records import Action
from passage_cv.stats.agreement import mcnemar_exact

INDIVIDUALS = "individuals.csv"
CHANGES = {
    "model": "model",
    "version": "data set version",
    "policy_sha256": "policy",
    "u": "pass cutoff",
    "v": "reject cutoff",
}


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier report: its numbers, and what it did with each individual (None where that file is not there)."""

    values: Mapping[str, Any]
    errors: Mapping[str, bool] | None


@dataclass(frozen=True, slots=True)
class Pair:
    """Individuals of one group that both reports judged: how many only one of them got wrong."""

    group: str
    both: int
    wrong_before: int
    wrong_now: int

    @property
    def p_value(self) -> float:
        """Exact two-sided McNemar test that both go wrong equally often."""
        return mcnemar_exact(self.wrong_before, self.wrong_now)


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed since the report before; ``pairs`` is empty where the same fish cannot be set side by side."""

    changed: tuple[tuple[str, str, str], ...]
    classes: tuple[tuple[ClassCount | None, ClassCount], ...]
    pairs: tuple[Pair, ...]
    was_checked: bool


def read_earlier(path: Path) -> Earlier:
    """Read an earlier report, given its folder or its ``evaluation.json``.

    Raises
    ------
    InputError
        If it is missing or is no evaluation.
    """
    file = path / "evaluation.json" if path.is_dir() else path
    values = read_json(file)
    if not isinstance(values, dict) or values.get("format") != 1 or "classes" not in values:
        raise InputError(
            "File is no evaluation of format 1", where=str(file), do="Give the folder that evaluate wrote into."
        )
    return Earlier(values, _read_errors(file.with_name(INDIVIDUALS)))


def compare(assessment: Assessment, earlier: Earlier) -> Comparison:
    """Set an assessment beside an earlier report."""
    cutoffs = assessment.cutoffs
    now = {key: getattr(cutoffs, key) for key in CHANGES}
    changed = tuple(
        (name, _shown(earlier.values.get(key)), _shown(now[key]))
        for key, name in CHANGES.items()
        if earlier.values.get(key) != now[key]
    )
    before = {count.code: count for count in map(_count, earlier.values["classes"])}
    rows = tuple((before.get(count.code), count) for count in assessment.counts)
    return Comparison(changed, rows, _pairs(assessment, earlier), bool(earlier.values.get("checked", True)))


def errors_of(assessment: Assessment) -> dict[str, bool]:
    """Whether each individual of the policy's classes was given the wrong final action."""
    judged = assessment.judged
    labelled = label_codes(judged.individuals, assessment.cutoffs)
    wrong = np.where(labelled.excluded, judged.took(Action.PASS), judged.took(Action.REJECT))
    known = labelled.codes >= 0
    return dict(zip(judged.individuals.name[known].tolist(), wrong[known].tolist(), strict=True))


def _pairs(assessment: Assessment, earlier: Earlier) -> tuple[Pair, ...]:
    if earlier.errors is None:
        return ()
    now, before = errors_of(assessment), earlier.errors
    groups = assessment.cutoffs.groups
    side = {
        str(name): "excluded" if groups.get(str(label)) == "exclude" else "wanted"
        for name, label in zip(assessment.judged.individuals.name, assessment.judged.individuals.label, strict=True)
    }
    shared = [name for name in now if name in before]
    out = []
    for group in ("excluded", "wanted"):
        own = [name for name in shared if side[name] == group]
        if own:
            only_before = sum(before[name] and not now[name] for name in own)
            only_now = sum(now[name] and not before[name] for name in own)
            out.append(Pair(group, len(own), only_before, only_now))
    return tuple(out)


def _read_errors(path: Path) -> dict[str, bool] | None:
    if not path.is_file():
        return None
    with path.open(encoding="utf-8", newline="") as stream:
        return {row["individual"]: row["error"] == "1" for row in csv.DictReader(stream) if row["error"] != ""}


def _count(values: Mapping[str, Any]) -> ClassCount:
    return ClassCount(
        code=values["class"],
        group=values["group"],
        shown=values["individuals"],
        trips=values["trips"],
        passed=values["passed"],
        held=values["held"],
        rejected=values["rejected"],
        confidence=values["confidence"],
    )


def _shown(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.3f}"
    return "none" if value is None else str(value)[:19] or "not given"
