"""``passage-cv verify``: is this package what was exported, and does it decide here as it did there."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json
from passage_cv.gate.site import read_site
from passage_cv.gate.verify import verify_package

app = command_app()


@app.command()
def verify(
    folder: Annotated[Path, typer.Argument(help="Folder of a gate package.")],
    keys: Annotated[Path | None, typer.Option(help="Folder of the trusted public keys (*.pub).")] = None,
    signatures: Annotated[int, typer.Option(help="How many trusted people must have signed.", min=1)] = 1,
    site: Annotated[Path | None, typer.Option(help="Site file: its time budget must be kept.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the report as JSON, for the records.")] = False,
) -> None:
    """Check a gate package: every byte before anything is loaded, then every reference case, then the time.

    Each case goes through Python, the model and, where there is a compiler, the C header; the Structured Text is
    parsed. Run it on the gate computer itself: there it also shows that this processor decides as ours did.
    """
    budget = None if site is None else read_site(site).timing
    with progress_bar() as progress:
        report = verify_package(folder, keys=keys, signatures=signatures, budget=budget, progress=progress)
    if json:
        show_json(report.as_dict())
    else:
        for check in report.checks:
            sign = "BAD " if not check.ok else "ok  " if check.made else "--  "
            show(f"{sign} {check.name}: {check.detail}")
        verdict = "is as exported and decides as listed" if report.ok else "must not be used"
        show(f"Package {report.package_id[:12] or 'without id'} {verdict} ({folder})")
        for name in report.not_made:
            show(f"Not checked on this computer: {name}")
    if not report.ok:
        raise typer.Exit(1)
