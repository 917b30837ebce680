"""Write the report: one self-contained page, the same numbers as JSON, and each table as CSV.

Comes in: an :class:`~passage_cv.evaluation.assess.Assessment` and a way to get a picture by its hash. Computes no
statistic of its own.
"""

from __future__ import annotations

import base64
import csv
import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from passage_cv.decision.cutoffs_file import LimitShown
from passage_cv.decision.unmet import describe_unmet
from passage_cv.evaluation.assess import Assessment
from passage_cv.evaluation.cases import Case
from passage_cv.evaluation.figures import draw_actions, draw_confusion, draw_costs, draw_distributions
from passage_cv.evaluation.misses import ClassCount
from passage_cv.files import write_json, write_text

Picture = Callable[[str], bytes | None]
"""From an image's SHA-256 to the bytes of a small JPEG or PNG, or None where it is not at hand."""


@dataclass(frozen=True, slots=True)
class Names:
    """Class code to the name people read."""

    full: Mapping[str, str]

    def of(self, code: str) -> str:
        """The full name, or the code where there is none."""
        return self.full.get(code, code)


def percent(rate: float, *, up: bool = False, down: bool = False) -> str:
    """A rate as text, two significant digits at least; an upper limit goes up, a lower limit or confidence down.

    Examples
    --------
    >>> percent(0.0495076, up=True), percent(0.049, up=True), percent(0.0), percent(1.0)
    ('4.96 %', '4.90 %', '0 %', '100 %')
    >>> percent(0.9875), percent(0.9875, down=True), percent(0.975, down=True)
    ('98.8 %', '98.7 %', '97.5 %')
    """
    value = 100 * rate
    if value in (0, 100):
        return f"{value:.0f} %"
    places = 1 if value >= 10 else 2 if value >= 0.1 else 3
    scaled = value * 10**places
    # the tiny step keeps an exact 4.9 from becoming 4.91 or 4.89 through its binary form
    whole = math.ceil(scaled - 1e-9) if up else math.floor(scaled + 1e-9) if down else round(scaled)
    return f"{whole / 10**places:.{places}f} %"


def write_report(
    assessment: Assessment,
    folder: Path,
    *,
    names: Mapping[str, str] | None = None,
    picture: Picture | None = None,
    title: str = "",
    notes: Sequence[str] = (),
) -> Path:
    """Write ``report.html``, ``evaluation.json`` and the CSV tables into a folder and return the page's path.

    Parameters
    ----------
    assessment
        What to report.
    folder
        Made if it is missing; files of the same names are replaced.
    names
        Class code to scientific name.
    picture
        Where thumbnails come from; without it worst cases stand without pictures.
    title, notes
        A line above the page, and remarks of whoever ran it (for example that the data are invented).
    """
    known = Names(names or {})
    page = (
        _environment()
        .get_template("report.html.j2")
        .render(
            a=assessment,
            c=assessment.cutoffs,
            names=known,
            title=title or f"Gate report, {assessment.cutoffs.site}",
            notes=notes,
            unmet=describe_unmet(assessment.cutoffs),
            limits=[limit_sentence(limit, known) for limit in assessment.cutoffs.limits],
            figures=_figures(assessment),
            pictures={case.image_sha256: _data_uri(picture, case) for case in assessment.worst},
        )
    )
    write_json(folder / "evaluation.json", evaluation_values(assessment))
    write_text(folder / "classes.csv", _csv(_class_rows(assessment.counts)))
    write_text(folder / "confusion.csv", _csv(_confusion_rows(assessment)))
    write_text(folder / "report.html", page)
    return folder / "report.html"


def limit_sentence(limit: LimitShown, names: Names) -> str:
    """One limit in words that an engineer can sign."""
    who = f"{names.of(limit.class_)} ({limit.class_})"
    error = "passed" if limit.kind == "miss" else "rejected"
    basis = f"{limit.n} individuals of {limit.trips} trips" if limit.trips else f"{limit.n} individuals"
    if not limit.met:
        return (
            f"{who}: not shown. {basis} in role cut cannot show {percent(limit.limit)} at "
            f"{percent(limit.confidence, down=True)} confidence; image about {limit.missing_to_image} more."
        )
    allowed = limit.k - 1
    return (
        f"{who}: with at least {percent(limit.confidence, down=True)} confidence at most "
        f"{percent(limit.limit, up=True)} are {error} ({limit.assumes}). Shown on {basis}; up to {allowed} of them "
        "may lie beyond the cutoff."
    )


def evaluation_values(assessment: Assessment) -> dict[str, Any]:
    """The report's numbers as plain values for JSON."""
    cutoffs = assessment.cutoffs
    return {
        "format": 1,
        "checked": assessment.checked,
        "site": cutoffs.site,
        "model": cutoffs.model,
        "version": cutoffs.version,
        "policy_sha256": cutoffs.policy_sha256,
        "u": cutoffs.u,
        "v": cutoffs.v,
        "limits": [limit.model_dump(mode="json", by_alias=True) for limit in cutoffs.limits],
        "accuracy_individual": assessment.accuracy,
        "cost_per_individual": assessment.cost,
        "expected_cost": cutoffs.expected_cost.model_dump(mode="json"),
        "classes": [_class_values(count) for count in assessment.counts],
        "leave_one_trip_out": [
            {"trip": line.trip, "excluded_shown": line.shown, "missed": line.missed} for line in assessment.left_out
        ],
        "warnings": list(cutoffs.warnings),
    }


def _class_values(count: ClassCount) -> dict[str, Any]:
    low, high = count.interval
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
        "low": low,
        "high": high,
        "upper_one_sided": count.upper,
        "confidence": count.confidence,
    }


def _class_rows(counts: Sequence[ClassCount]) -> list[list[object]]:
    values = [_class_values(count) for count in counts]
    return [list(values[0]), *[list(row.values()) for row in values]] if values else []


def _confusion_rows(assessment: Assessment) -> list[list[object]]:
    classes = list(assessment.cutoffs.classes)
    rows = [[code, *table.tolist()] for code, table in zip(classes, assessment.confusion, strict=False)]
    return [["true class", *classes], *rows]


def _csv(rows: Sequence[Sequence[object]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows(["" if cell is None else cell for cell in row] for row in rows)
    return out.getvalue()


def _figures(assessment: Assessment) -> dict[str, str]:
    figures = {
        "actions": draw_actions(assessment),
        "distributions": draw_distributions(assessment),
        "costs": draw_costs(assessment),
    }
    if assessment.confusion.sum():
        figures["confusion"] = draw_confusion(assessment)
    return {name: "data:image/svg+xml;base64," + _base64(svg.encode()) for name, svg in figures.items()}


def _data_uri(picture: Picture | None, case: Case) -> str:
    data = picture(case.image_sha256) if picture and case.image_sha256 else None
    if data is None:
        return ""
    kind = "png" if data.startswith(b"\x89PNG") else "jpeg"
    return f"data:image/{kind};base64,{_base64(data)}"


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("passage_cv.evaluation"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["percent"] = percent
    return environment
