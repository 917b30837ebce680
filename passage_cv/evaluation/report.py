"""Write the report: one self-contained page, the same numbers as JSON, and each table as CSV.

Comes in: an :class:`~passage_cv.evaluation.assess.Assessment` and a way to get a picture by its hash. Computes no
statistic of its own.
"""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from passage_cv.decision.unmet import describe_overload
from passage_cv.evaluation.assess import Assessment
from passage_cv.evaluation.breakdown import Slice
from passage_cv.evaluation.comparison import INDIVIDUALS, Earlier, compare
from passage_cv.evaluation.figures import draw_all
from passage_cv.evaluation.page_script import page_script
from passage_cv.evaluation.values import (
    confusion_rows,
    csv_text,
    evaluation_tables,
    evaluation_values,
    individual_rows,
)
from passage_cv.evaluation.words import (
    Names,
    count_sentence,
    cutoff_text,
    interval,
    limit_sentence,
    percent,
    plain_percent,
    unfamiliar_sentence,
    verdict,
)
from passage_cv.files import write_json, write_text

__all__ = ["Names", "Picture", "evaluation_values", "limit_sentence", "percent", "write_report"]

Picture = Callable[[str], bytes | None]
"""From an image's SHA-256 to the bytes of a small JPEG or PNG, or None where it is not at hand."""


def write_report(
    assessment: Assessment,
    folder: Path,
    *,
    names: Mapping[str, str] | None = None,
    picture: Picture | None = None,
    title: str = "",
    notes: Sequence[str] = (),
    before: Earlier | None = None,
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
    before
        An earlier report to be set beside this one.
    """
    page = render_report(assessment, names=names, picture=picture, title=title, notes=notes, before=before)
    write_json(folder / "evaluation.json", evaluation_values(assessment))
    tables = evaluation_tables(assessment)
    write_text(folder / "classes.csv", csv_text([*tables.pop("classes"), *tables.pop("groups")]))
    for name, rows in tables.items():
        write_text(folder / f"{name.replace('_', '-')}.csv", csv_text(rows))
    write_text(folder / "confusion.csv", csv_text(confusion_rows(assessment), headings=["true class"]))
    write_text(folder / INDIVIDUALS, csv_text(individual_rows(assessment)))
    write_text(folder / "report.html", page)
    return folder / "report.html"


def render_report(
    assessment: Assessment,
    *,
    names: Mapping[str, str] | None = None,
    picture: Picture | None = None,
    title: str = "",
    notes: Sequence[str] = (),
    before: Earlier | None = None,
) -> str:
    """The page as HTML; arguments as :func:`write_report`."""
    cutoffs, known = assessment.cutoffs, Names(names or {})
    comparison = compare(assessment, before) if before else None
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            a=assessment,
            c=cutoffs,
            names=known,
            title=title or f"Gate report, {cutoffs.site}",
            notes=notes,
            verdict=verdict(cutoffs),
            overload=describe_overload(cutoffs),
            limits=[limit_sentence(limit, known) for limit in cutoffs.asked],
            comparison=comparison,
            slices=_group_slices(assessment.slices),
            figures=draw_all(assessment, comparison),
            pictures=_pictures(assessment, picture),
            what_if=_script_json(assessment.what_if.values) if assessment.what_if else "",
            script=Markup(page_script()),  # noqa: S704 - files of this package
        )
    )


def _group_slices(slices: Sequence[Slice]) -> dict[str, list[Slice]]:
    """The rows of groups by what they are cut by, in the order of the tables."""
    out: dict[str, list[Slice]] = {}
    for row in slices:
        if row.is_group:
            out.setdefault(row.by, []).append(row)
    return out


def _pictures(assessment: Assessment, picture: Picture | None) -> dict[str, str]:
    """Data addresses of the pictures of worst cases and of the training pictures near them, by hash."""
    cases = assessment.worst
    wanted = {case.image_sha256 for case in cases} | {near.image_sha256 for case in cases for near in case.near}
    found = {sha256: picture(sha256) for sha256 in wanted if sha256} if picture else {}
    return {sha256: _data_uri(data) for sha256, data in found.items() if data is not None}


def _data_uri(data: bytes) -> str:
    kind = "png" if data.startswith(b"\x89PNG") else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"


def _script_json(values: Mapping[str, object]) -> Markup:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    text = json.dumps(values, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c"))  # noqa: S704 - "<" is the only mark that matters there, and is gone


def environment() -> Environment:
    templates = Environment(
        loader=PackageLoader("passage_cv.evaluation"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters.update(
        percent=percent,
        plain_percent=plain_percent,
        interval=interval,
        sentence=count_sentence,
        unfamiliar=unfamiliar_sentence,
        cutoff=cutoff_text,
        place=lambda value: f"{value:.2f}" if math.isfinite(value) else "nothing",
    )
    return templates
