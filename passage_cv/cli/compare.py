"""``passage-cv compare``: two runs on the same individuals."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, show, show_json, table
from passage_cv.dataset.store import Store
from passage_cv.policy import read_policy
from passage_cv.recognition.compare import CostDifference, Tally, compare_runs
from passage_cv.recognition.compare_page import stored_pictures, write_comparison

app = command_app()
SHOWN = 20


@app.command()
def compare(
    first: Annotated[Path, typer.Argument(help="Folder of one run.")],
    second: Annotated[Path, typer.Argument(help="Folder of another, trained on the same version.")],
    policy: Annotated[
        Path | None, typer.Option("--policy", "-p", help="Site policy: also say which run costs less.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", "-o", help="Folder for a page and its numbers.")] = None,
    store: Annotated[str | None, typer.Option(help="Store: the page then has pictures.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Everything for machines.")] = False,
) -> None:
    """Say which of two runs names fish rightly more often, on the fish both learnt from, each left out in turn.

    Runs of different versions, roles or classes are refused. The fish of 'cut' and 'test' are not looked at.
    """
    found = compare_runs(first, second, policy=read_policy(policy) if policy else None)
    page = None
    if out is not None:
        page = write_comparison(found, out, picture=stored_pictures(Store.open(store)) if store else None)
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
    if found.cost:
        show(_cost_line(found.cost))
    if page:
        show(f"Wrote {page}.")
        return
    for one in found.disagreements[:SHOWN]:
        show(f"{one.individual}, {one.label}: {one.first} / {one.second}")
    if len(found.disagreements) > SHOWN:
        show(f"... and {len(found.disagreements) - SHOWN} more (--json lists all, --out shows them).")


def _row(name: str, tally: Tally) -> tuple[object, ...]:
    return (
        name,
        tally.individuals,
        tally.first_right,
        tally.second_right,
        tally.only_first,
        tally.only_second,
        f"{tally.difference:+.3f} ({tally.low:+.3f} to {tally.upper:+.3f})",
        f"{tally.p_value:.3g}",
    )


def _cost_line(cost: CostDifference) -> str:
    return (
        f"Cost per presentation: {cost.first:.3f} and {cost.second:.3f}, second minus first {cost.difference:+.3f} "
        f"({cost.low:+.3f} to {cost.upper:+.3f} over {cost.units} {cost.unit} drawn anew)."
    )
