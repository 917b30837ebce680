"""``passage-cv evaluate``: what the cutoffs do to fish the model never saw."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, table
from passage_cv.errors import InputError
from passage_cv.evaluation.misses import ClassCount
from passage_cv.evaluation.values import evaluation_values
from passage_cv.evaluation.words import interval, percent, unfamiliar_sentence
from passage_cv.pipeline import ReportOptions, evaluate_scores

app = command_app()


@app.command()
def evaluate(
    scores: Annotated[Path, typer.Argument(help="Scores file, Parquet or CSV.")],
    cutoffs: Annotated[Path, typer.Option("--cutoffs", "-c", help="Cutoffs file from calibrate.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for report.html and its tables.")] = Path("report"),
    store: Annotated[Path | None, typer.Option(help="Store: thumbnails, names, and the ledger of test uses.")] = None,
    run: Annotated[
        Path | None, typer.Option(help="Run of the scores: shows the training pictures most like each worst case.")
    ] = None,
    before: Annotated[Path | None, typer.Option(help="Folder of an earlier report to compare with.")] = None,
    simultaneous: Annotated[bool, typer.Option(help="Widen the intervals so that all classes hold at once.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the counts as JSON for a machine.")] = False,
) -> None:
    """Count the test fish of each class that were passed, held and rejected, and write the report.

    Rates stand with exact intervals. Cutoffs are never changed here. Where no fish has role 'test' the
    report says 'unchecked'.
    """
    if run is not None and store is None:
        raise InputError("--run needs the pictures", do="Name the store that holds them with --store.")
    with progress_bar() as progress:
        options = ReportOptions(before=before, simultaneous=simultaneous)
        found = evaluate_scores(scores, cutoffs, out, store=store, run=run, options=options, progress=progress)
    if json:
        show_json(evaluation_values(found.assessment))
        return
    if not found.assessment.checked:
        show("UNCHECKED: no fish has role test; these are the fish that set the cutoffs.")
    for counts in (found.assessment.counts, found.assessment.groups):
        show_counts(counts)
    for one in found.assessment.unfamiliar:
        show(unfamiliar_sentence(one))
    show(f"Report: {found.page}")


def show_counts(counts: Sequence[ClassCount]) -> None:
    """Print rows of counts with their exact two-sided intervals."""
    rows = [
        [
            count.code,
            count.group,
            count.shown,
            count.passed,
            count.held,
            count.rejected,
            "-" if count.rate is None else percent(count.rate),
            interval(count.interval),
        ]
        for count in counts
    ]
    confidence = percent(counts[0].confidence, down=True)
    table(
        ["class", "policy", "fish", "passed", "held", "rejected", "error rate", f"exact interval ({confidence})"],
        rows,
    )
