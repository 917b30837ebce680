"""``passage-cv robustness``: where a model stops being of use."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, table
from passage_cv.cli.late import late
from passage_cv.dataset.store import Store
from passage_cv.decision.cutoffs_file import read_cutoffs
from passage_cv.evaluation.robustness import (
    Line,
    Robustness,
    count_left_out,
    count_levels,
    panels,
    write_robustness,
)
from passage_cv.evaluation.words import percent

if TYPE_CHECKING:
    from passage_cv.recognition.asked_again import can_leave_out, without_each
    from passage_cv.recognition.figures import draw_sweeps
    from passage_cv.recognition.robustness import sweep_scales, worse_views
else:
    can_leave_out = late("passage_cv.recognition.asked_again", "can_leave_out")
    without_each = late("passage_cv.recognition.asked_again", "without_each")
    draw_sweeps = late("passage_cv.recognition.figures", "draw_sweeps")
    sweep_scales = late("passage_cv.recognition.robustness", "sweep_scales")
    worse_views = late("passage_cv.recognition.robustness", "worse_views")

app = command_app()


@app.command()
def robustness(
    run: Annotated[Path, typer.Argument(help="Folder of a run.")],
    store: Annotated[str, typer.Option(help="Store: a folder or an S3-compatible address.")],
    cutoffs: Annotated[Path, typer.Option("--cutoffs", help="The cutoffs that were set for this run.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for the page and its tables.")],
    per_class: Annotated[int, typer.Option(min=1, help="Fish of each class in the sweeps, drawn at random.")] = 15,
) -> None:
    """Show misses and holds in worse water, through a worse lens, farther away, and at trips and sites left out.

    Training fish only, each scored by a model that had not seen it; the fish of 'cut' and 'test' are not looked at.
    """
    opened, fixed = Store.open(store), read_cutoffs(cutoffs)
    with progress_bar() as progress:
        swept = worse_views(run, opened, per_class=per_class, progress=progress)
        left_out = {
            unit: count_left_out(unit, without_each(run, opened, unit, progress=progress), fixed)
            for unit in can_leave_out(run, opened)
        }
    found = Robustness(
        sweeps={name: count_levels(name, levels, fixed) for name, levels in swept.items()},
        trips=left_out.get("trip", ()),
        sites=left_out.get("site", ()),
    )
    scales = sweep_scales()
    figure = draw_sweeps(panels(found.sweeps), scales)
    page = write_robustness(found, out, figure=figure, scales=scales, cutoffs=fixed)
    table(
        ("sweep", "level", "excluded", "passed", "share held"),
        [row for lines in found.sweeps.values() for row in map(_row, lines)],
    )
    for unit in ("trip", "site"):
        if unit not in left_out:
            show(f"No {unit} was left out: fewer than two are named, or folds of a fine-tuned run split one.")
    show(f"Wrote {page}.")


def _row(line: Line) -> tuple[object, ...]:
    return (line.of, f"{line.level:g}", line.excluded, line.missed, percent(line.held_share))
