"""What ``scripts/real-data`` runs: the whole pipeline on a folder of real photographs."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from passage_cv.cli.console import command_app, progress_bar, show, warn
from passage_cv.config import configs_folder
from passage_cv.errors import PassageError
from passage_cv.real_data import EXCLUDED, Asked, run_real_data
from passage_cv.recognition.ablation import COMMON
from passage_cv.recognition.settings import read_train_settings

app = command_app()


@app.command()
def real_data(
    folder: Annotated[Path, typer.Argument(help="Folder with labels.csv (image, scientificName, sequence).")],
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder to fill; missing or empty.")],
    excluded_class: Annotated[
        list[str] | None, typer.Option(help=f"Class that must not pass; may be repeated. Else {EXCLUDED}.")
    ] = None,
    miss_limit: Annotated[float, typer.Option(help="Largest share of it that may pass.")] = 0.2,
    folds: Annotated[int, typer.Option(min=2, help="Folds of the grouped out-of-fold figures.")] = 5,
    seeds: Annotated[int, typer.Option(min=1, help="Draws of the folds; the figures are means.")] = 1,
    unknown: Annotated[
        bool, typer.Option("--unknown", help="Also leave out each class: is it held as unknown?")
    ] = False,
    config: Annotated[str, typer.Option(help="Settings in configs/train, by name, or a file.")] = "quick",
) -> None:
    """Check, keep, train, set cutoffs, report and pack on real photographs, and say how good it is.

    Writes OUT/report/report.html, OUT/package and OUT/summary.json. A limit that cannot be shown is a result,
    not an error.
    """
    path = configs_folder() / "train" / f"{config}.toml"
    settings = read_train_settings(path if path.is_file() else Path(config))
    asked = Asked(tuple(excluded_class or (EXCLUDED,)), miss_limit, folds, seeds, unknown)
    with progress_bar() as progress:
        found = run_real_data(folder, out, asked, settings, progress=progress)
    show(f"{found['individuals']} individuals of {found['classes']} classes in {found['images']} images.")
    show(
        f"Named rightly when left out: {found['accuracy_individual']:.1%}, with classes alike "
        f"{found['balanced_accuracy_individual']:.1%} (a plain script: {found['plain_accuracy_individual']:.1%}, "
        f"{found['plain_balanced_accuracy_individual']:.1%}{_claimed(found)})."
    )
    show(f"Classes of {COMMON} individuals or more alone: {found['balanced_accuracy_individual_common']:.1%}.")
    for line in found["cutoffs"]["unmet"]:
        show(line)
    show(f"Package {'verified' if found['package_verified'] else 'NOT VERIFIED'}: {out / 'package'}")
    show(f"Report: {out / 'report' / 'report.html'}; figures: {out / 'summary.json'}")


def _claimed(found: Mapping[str, Any]) -> str:
    """What splitting by image would have claimed, where that was tried."""
    leaky = found.get("balanced_accuracy_individual_ungrouped")
    return "" if leaky is None else f"; split by image instead of by individual it would claim {leaky:.1%}"


def main() -> None:
    """Run it; a refusal is one message and an exit code, never a traceback."""
    try:
        app(prog_name="scripts/real-data")
    except PassageError as error:
        warn(str(error))
        sys.exit(error.exit_code)


if __name__ == "__main__":
    main()
