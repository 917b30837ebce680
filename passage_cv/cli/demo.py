"""``passage-cv demo``: the whole job once, on the invented river."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show
from passage_cv.cli.late import late

if TYPE_CHECKING:
    from passage_cv.walkthrough import closing_lines, run_demo
else:
    closing_lines = late("passage_cv.walkthrough", "closing_lines")
    run_demo = late("passage_cv.walkthrough", "run_demo")

app = command_app()


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder to fill; missing or empty.")] = Path("demo-out"),
    seed: Annotated[int, typer.Option(help="Draws the fish, the pictures and the roles; same seed, same demo.")] = 1,
    size: Annotated[float, typer.Option(help="Share of the campaign's fish; well below 1 shows refusals.")] = 1.0,
) -> None:
    """Draw an invented sampling campaign and a slice of a season, and run the whole pipeline on them.

    Pictures are drawn, so no figure of it says anything about a real gate. Takes about five minutes on two cores.
    """
    with progress_bar() as progress:
        walked = run_demo(out, seed=seed, size=size, progress=progress)
    for line in closing_lines(walked):
        show(line)
