"""``passage-cv score``: score pictures with a trained model."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.recognition.score import UNREADABLE, score_folder, score_version
from passage_cv.scores import write_scores

app = command_app()


@app.command()
def score(
    run: Annotated[Path, typer.Argument(help="Folder that 'passage-cv train' wrote.")],
    what: Annotated[str, typer.Argument(help="With --store a version ('latest'), else a folder of pictures.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="Scores file to write, .parquet or .csv.")],
    store: Annotated[str | None, typer.Option(help="Store: a folder or an S3-compatible address.")] = None,
) -> None:
    """Write a scores file: a row per picture, a logit per class.

    For a version, fish of 'train' keep the scores of models that had not seen them; fish of 'cut' and 'test' go from
    their original pictures through model.onnx, as at the gate.
    """
    with progress_bar() as progress:
        if store is None:
            scores = score_folder(run, Path(what), progress=progress)
        else:
            opened = Store.open(store)
            scores = score_version(run, opened, open_version(opened, what), progress=progress)
    sha256 = write_scores(scores, out)
    unreadable = int((scores.text["hold_reason"] == UNREADABLE).sum())
    show(f"Wrote {out} (SHA-256 {sha256[:12]}): {len(scores)} pictures, {unreadable} of them unreadable.")
    if gone := scores.meta.get("withdrawn_since"):
        show(f"{gone} pictures of cut and test were withdrawn since this version and are left out.")
