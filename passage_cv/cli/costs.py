"""``passage-cv costs``: ask what each mistake is worth, and see whether the answers move the cutoffs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, show, warn
from passage_cv.pipeline import ask_costs, try_costs

app = command_app()
PolicyFile = Annotated[Path, typer.Option("--policy", "-p", help="The site's policy (TOML).")]


@app.callback()
def _costs() -> None:
    """What each mistake is worth: a sheet to fill in, and what the answers do to the cutoffs."""


@app.command()
def ask(
    policy: PolicyFile,
    out: Annotated[Path, typer.Option("--out", "-o", help="Where to write the sheet.")] = Path("costs.toml"),
) -> None:
    """Write a sheet of trade-offs for the people who answer for the site: 'how many held fish weigh as one …'.

    Everybody fills it in alone first; every name, date and range is kept.
    """
    ask_costs(policy, out)
    show(f"Wrote {out}. Fill in the answers; then: passage-cv costs try {out} --policy {policy} --scores SCORES")


@app.command("try")
def try_(
    sheet: Annotated[Path, typer.Argument(help="The filled sheet.")],
    policy: PolicyFile,
    scores: Annotated[Path, typer.Option("--scores", "-s", help="Scores file with out-of-fold rows of role train.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for the page and its tables.")] = Path("costs"),
) -> None:
    """Move every cost over the range that people named and say whether the cutoffs care.

    Only fish of role 'train' are looked at, so it may be done as often as you like; the policy file is not changed.
    """
    found = try_costs(sheet, policy, scores, out)
    for line in found.sentences:
        show(line)
    for line in found.contradictions:
        warn(line)
    show(f"Page: {found.page}")
