"""The report's numbers as plain values: for JSON, and as tables for a spreadsheet. Computes no statistic."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.assess import Assessment
from passage_cv.evaluation.cards import ClassData
from passage_cv.evaluation.comparison import errors_of
from passage_cv.evaluation.lengths import ProvenLength
from passage_cv.evaluation.misses import ClassCount
from passage_cv.evaluation.readers import NamingError
from passage_cv.evaluation.reliability import Reliability

Table = list[dict[str, Any]]


def evaluation_values(assessment: Assessment) -> dict[str, Any]:
    """The report's numbers as plain values for JSON."""
    cutoffs = assessment.cutoffs
    return {
        "format": 1,
        "checked": assessment.checked,
        "simultaneous": assessment.simultaneous,
        "site": cutoffs.site,
        "model": cutoffs.model,
        "version": cutoffs.version,
        "policy_sha256": cutoffs.policy_sha256,
        "u": cutoffs.u,
        "v": cutoffs.v,
        "limits": [limit.model_dump(mode="json", by_alias=True) for limit in cutoffs.asked],
        "accuracy_individual": assessment.accuracy,
        "cost_per_individual": assessment.cost,
        "held_share": assessment.held,
        "expected_cost": cutoffs.expected_cost.model_dump(mode="json"),
        "hold_load": cutoffs.hold_load.model_dump(mode="json") if cutoffs.hold_load else None,
        **evaluation_tables(assessment),
        "held_as_unfamiliar": [asdict(row) for row in assessment.unfamiliar],
        "reliability": _reliability_values(assessment.reliability),
        "second_readings": asdict(assessment.readings) if assessment.readings else None,
        "warnings": list(cutoffs.warnings),
    }


def evaluation_tables(assessment: Assessment) -> dict[str, Table]:
    """Every table of the report by name; the same rows stand in the JSON and in ``<name>.csv``."""
    return {
        "classes": [count_values(count) for count in assessment.counts],
        "groups": [count_values(count) for count in assessment.groups],
        "holds": [{**asdict(row), "held": row.held} for row in assessment.holds],
        "breakdown": [{"by": row.by, "value": row.value, **count_values(row.count)} for row in assessment.slices],
        "leave_one_trip_out": [
            {"trip": line.trip, "excluded_shown": line.shown, "missed": line.missed, **_ends(line.interval)}
            for line in assessment.left_out
        ],
        "proven_lengths": [_length_values(one) for one in assessment.proven],
        "wrong_labels": [asdict(one) for one in assessment.labels],
        "naming_errors": [_naming_values(one) for one in assessment.naming],
        "worst_cases": [
            {key: value for key, value in asdict(case).items() if key != "near"} for case in assessment.worst
        ],
        "roles": [_role_values(one) for one in assessment.data.classes],
        "policy": _policy_values(assessment.cutoffs),
    }


def _role_values(one: ClassData) -> dict[str, Any]:
    shortest, median, longest = one.lengths or (None, None, None)
    return {
        "class": one.code,
        "group": one.group,
        **one.individuals,
        "images": one.images,
        "trips": one.trips,
        "shortest_mm": shortest,
        "median_mm": median,
        "longest_mm": longest,
    }


def _policy_values(cutoffs: Cutoffs) -> Table:
    return [
        {
            "class": code,
            "group": cutoffs.groups[code],
            "cost_of_error": cutoffs.costs[code].error,
            "cost_of_hold": cutoffs.costs[code].hold,
            "expected_share": cutoffs.shares[code],
        }
        for code in cutoffs.classes
    ]


def count_values(count: ClassCount) -> dict[str, Any]:
    """One row of counts as plain values."""
    return {
        "class": count.code,
        "group": count.group,
        "individuals": count.shown,
        "trips": count.trips,
        "passed": count.passed,
        "held": count.held,
        "rejected": count.rejected,
        "errors": count.errors,
        "rate": count.rate,
        **_ends(count.interval),
        "upper_one_sided": count.upper,
        "confidence": count.confidence,
    }


def confusion_rows(assessment: Assessment) -> Table:
    """Counts by true class (rows) and class named first (columns)."""
    classes = assessment.cutoffs.classes
    return [
        {"true class": code, **dict(zip(classes, row.tolist(), strict=True))}
        for code, row in zip(classes, assessment.confusion, strict=False)
    ]


def individual_rows(assessment: Assessment) -> Table:
    """Every individual judged: its class, score and action, and whether that was wrong (1, 0, or nothing)."""
    judged, wrong = assessment.judged, errors_of(assessment)
    text = judged.individuals.text
    columns = zip(
        text["individual"].tolist(),
        text["class"].tolist(),
        text["trip"].tolist(),
        judged.scored.score.tolist(),
        judged.actions.tolist(),
        judged.scored.held.tolist(),
        strict=True,
    )
    return [
        {
            "individual": name,
            "class": label,
            "trip": trip,
            "score": "" if math.isnan(score) else score,
            "action": str(action),
            "hold_reason": held,
            "error": int(wrong[name]) if name in wrong else "",
        }
        for name, label, trip, score, action, held in columns
    ]


def csv_text(rows: Sequence[Mapping[str, Any]], *, headings: Sequence[str] = ()) -> str:
    """Rows as CSV; nothing stands for None. An empty table keeps its headings where they are given."""
    out = io.StringIO()
    names = list(rows[0]) if rows else list(headings)
    writer = csv.writer(out)
    writer.writerow(names)
    writer.writerows(["" if row[name] is None else row[name] for name in names] for row in rows)
    return out.getvalue()


def _ends(bounds: tuple[float, float]) -> dict[str, float]:
    return {"low": bounds[0], "high": bounds[1]}


def _naming_values(one: NamingError) -> dict[str, Any]:
    return {
        "by": one.by,
        "fish": one.named,
        "called_otherwise": one.otherwise,
        "rate": one.rate,
        **_ends(one.interval),
    }


def _length_values(one: ProvenLength) -> dict[str, Any]:
    low, high = one.near_interval
    return {**asdict(one), "near_low": low, "near_high": high}


def _reliability_values(found: Reliability | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "individuals": found.fish,
        "log_loss_before": found.loss_before,
        "log_loss_after": found.loss_after,
        "before": [asdict(one) for one in found.before],
        "after": [asdict(one) for one in found.after],
    }
