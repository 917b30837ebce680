"""Write what people said the mistakes are worth, and whether their range moves the cutoffs: a page and two tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from passage_cv.decision.asking import CostRange, CostSheet
from passage_cv.decision.cost_range import CostMoves
from passage_cv.evaluation.figures import draw_cost_picture
from passage_cv.evaluation.report import environment
from passage_cv.evaluation.values import csv_text
from passage_cv.evaluation.words import percent
from passage_cv.files import write_text


def write_cost_page(
    sheet: CostSheet,
    ranges: Sequence[CostRange],
    moves: CostMoves,
    contradictions: Sequence[str],
    folder: Path,
    *,
    n_fish: int,
) -> Path:
    """Write ``costs.html``, ``answers.csv`` and ``moves.csv`` into a folder and return the page's path."""
    page = (
        environment()
        .get_template("costs.html.j2")
        .render(
            sheet=sheet,
            ranges=ranges,
            moves=moves,
            contradictions=contradictions,
            sentences=cost_sentences(moves),
            picture=draw_cost_picture(moves),
            n_fish=n_fish,
        )
    )
    write_text(folder / "answers.csv", csv_text(answer_rows(sheet)))
    write_text(folder / "moves.csv", csv_text(move_rows(moves)))
    write_text(folder / "costs.html", page)
    return folder / "costs.html"


def cost_sentences(moves: CostMoves) -> tuple[str, ...]:
    """What the ranges come to, in words: first whether it matters at all."""
    ninety = float(np.percentile(moves.together, 90))
    widest = max(moves.ends, key=lambda one: max(one.moved), default=None)
    first = (
        f"With all costs moved together over their ranges, at most {percent(ninety, up=True)} of fish would be "
        "treated otherwise in nine of ten draws."
    )
    lines = [first]
    if widest is not None and max(widest.moved) > 0:
        lines.append(
            f"The answer that matters most is the one on {widest.about} ({widest.kind}): between {widest.low:g} and "
            f"{widest.high:g} it moves up to {percent(max(widest.moved), up=True)} of fish."
        )
    lines += [
        f"The {name} is held in place by a limit at the likely costs; costs can only move it further toward holding."
        for name in moves.bound
    ]
    return tuple(lines)


def answer_rows(sheet: CostSheet) -> list[Mapping[str, Any]]:
    """Every answer with its name and date."""
    return [
        {
            "about": question.about,
            "kind": question.kind,
            "against": question.against,
            "question": question.text,
            **answer.model_dump(mode="json"),
        }
        for question in sheet.questions
        for answer in question.answers
    ]


def move_rows(moves: CostMoves) -> list[Mapping[str, Any]]:
    """Cutoffs and load of holds at both ends of every range."""
    rows: list[Mapping[str, Any]] = []
    for one in moves.ends:
        for i, (end, cost) in enumerate((("low", one.low), ("high", one.high))):
            rows.append(
                {
                    "about": one.about,
                    "kind": one.kind,
                    "end": end,
                    "cost": cost,
                    "pass_below": one.u[i] if np.isfinite(one.u[i]) else None,
                    "reject_above": one.v[i] if np.isfinite(one.v[i]) else None,
                    "held": one.held[i],
                    "treated_otherwise": one.moved[i],
                }
            )
    return rows
