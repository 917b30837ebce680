"""``passage-cv export``: the package that a gate computer loads."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, warn
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version, require_version
from passage_cv.decision.cutoffs_file import read_cutoffs
from passage_cv.gate.package import write_package
from passage_cv.gate.picking import PER_CLASS, pick_reference_pictures
from passage_cv.policy import read_policy

app = command_app()


@app.command()
def export(
    run: Annotated[Path, typer.Argument(help="Folder that 'train' wrote.")],
    cutoffs: Annotated[Path, typer.Option("--cutoffs", "-c", help="Cutoffs set for this model.")],
    policy: Annotated[Path, typer.Option("--policy", "-p", help="The site's policy they were set under.")],
    store: Annotated[Path, typer.Option("--store", help="Store from which a few reference pictures are taken.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="New folder; a package is never written over.")],
    version: Annotated[str, typer.Option(help="Version of the data set.")] = "latest",
    per_class: Annotated[int, typer.Option(help="Individuals per class whose pictures go along.", min=1)] = PER_CLASS,
    json: Annotated[bool, typer.Option("--json", help="Print the result as JSON for a machine.")] = False,
) -> None:
    """Pack a model, its cutoffs and its reference cases for a gate, whole or not at all.

    Refuses a model, policy or cutoffs that do not belong together: a limit holds only for what it was shown
    on. Keep the package before this one, it is the way back.
    """
    opened = Store.open(store)
    require_version(opened, read_cutoffs(cutoffs).version, where=str(cutoffs))
    pictures = pick_reference_pictures(open_version(opened, version), read_policy(policy), per_class=per_class)
    with progress_bar() as progress:
        made = write_package(run, cutoffs, policy, out, pictures=pictures, progress=progress)
    if json:
        show_json({"folder": str(made.folder), "unmet": made.unmet, **made.manifest.model_dump(mode="json")})
    else:
        show(
            f"Package {made.manifest.short_id}: {len(made.manifest.files)} files, {made.n_pictures} reference "
            f"pictures, {made.n_logit_cases} reference decisions ({made.folder})"
        )
        show(f"For the engineer: {made.folder / 'engineer.html'}")
        show(f"On the gate computer: passage-cv verify {made.folder.name}")
    for line in made.unmet:
        warn(f"Not shown: {line}; the package holds what that limit would allow.")
