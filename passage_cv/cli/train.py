"""``passage-cv train``: fit a model on one version of the data set."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, table
from passage_cv.cli.late import late
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.policy import read_policy
from passage_cv.recognition.settings import read_train_settings

if TYPE_CHECKING:
    from passage_cv.recognition.train import train_model
else:
    train_model = late("passage_cv.recognition.train", "train_model")

app = command_app()


@app.command()
def train(
    config: Annotated[Path, typer.Argument(help="Settings (TOML), for example configs/train/quick.toml.")],
    store: Annotated[str, typer.Option(help="Store: a folder or an S3-compatible address.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder of the run to make.")],
    version: Annotated[
        str, typer.Option(help="Version of the data set: its name, its number or 'latest'.")
    ] = "latest",
    policy: Annotated[
        Path | None, typer.Option("--policy", "-p", help="Site policy whose codes name the classes; else by species.")
    ] = None,
    views: Annotated[
        Path | None,
        typer.Option(help="Folder of views to hold, with a sub-folder 'empty view', 'two fish in view' and so on."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="The metrics for machines.")] = False,
) -> None:
    """Fit a model on the fish of role 'train' and write its run folder.

    What is chosen is chosen by predicting each fish from a model that had not seen its trip; those predictions are
    kept in the run. The fish of 'cut' and 'test' are not looked at.
    """
    opened = Store.open(store)
    with progress_bar() as progress:
        summary = train_model(
            read_train_settings(config),
            opened,
            open_version(opened, version),
            out,
            policy=read_policy(policy) if policy else None,
            views=views,
            progress=progress,
        )
    if as_json:
        show_json(dict(summary.metrics))
        return
    found = summary.metrics
    show(f"Wrote {out} (model.onnx SHA-256 {summary.model_sha256[:12]}).")
    if found["withdrawn_since"]:
        show(f"{found['withdrawn_since']} pictures of train were withdrawn since this version and were left out.")
    show(
        f"Out of fold, {found['individuals']} fish in {found['images']} pictures, folds by {found['fold_unit']}: "
        f"{found['accuracy_individual']:.1%} right, {found['balanced_accuracy_individual']:.1%} with classes alike."
    )
    table(
        ("class", "individuals", "right"),
        [(name, count["individuals"], count["right"]) for name, count in found["classes"].items()],
    )
    if "views" in found:
        table(
            ("held view", "labelled", "found", "fish", "held falsely", "rule"),
            [
                (
                    kind,
                    n["views"],
                    n["found"],
                    n["fish"],
                    n["held_falsely"],
                    "used" if n["is_used"] else "not used: finds too few",
                )
                for kind, n in found["views"].items()
            ],
        )
