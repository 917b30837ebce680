"""``passage-cv compare``: two runs on the same individuals."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, show, show_json, table
from passage_cv.recognition.compare import Tally, compare_runs

app = command_app()
SHOWN = 20


@app.command()
def compare(
    first: Annotated[Path, typer.Argument(help="Folder of one run.")],
    second: Annotated[Path, typer.Argument(help="Folder of another, trained on the same version.")],
    as_json: Annotated[bool, typer.Option("--json", help="Everything for machines.")] = False,
) -> None:
    """Say which of two runs names fish rightly more often, on the fish both learnt from, each left out in turn.

    Runs of different versions, roles or classes are refused. The fish of 'cut' and 'test' are not looked at.
    """
    found = compare_runs(first, second)
    if as_json:
        show_json(found.as_dict())
        return
    table(
        ("class", "individuals", "first right", "second right", "only first", "only second", "difference", "p"),
        [_row("all", found.overall), *(_row(name, tally) for name, tally in found.per_class.items())],
    )
    if found.left_out:
        show(f"{found.left_out} individuals are left out: their class stands in one fold only.")
    show("Difference: second minus first with its 95 % interval; p: McNemar's exact test, two-sided.")
    for one in found.disagreements[:SHOWN]:
        show(f"{one.individual}, {one.label}: {one.first} / {one.second}")
    if len(found.disagreements) > SHOWN:
        show(f"... and {len(found.disagreements) - SHOWN} more (--json lists all).")


def _row(name: str, tally: Tally) -> tuple[object, ...]:
    change = tally.difference
    return (
        name,
        tally.individuals,
        tally.first_right,
        tally.second_right,
        tally.only_first,
        tally.only_second,
        f"{change.value:+.3f} ({change.low:+.3f} to {change.upper:+.3f})",
        f"{tally.p_value:.3g}",
    )
