"""``passage-cv labels``: which labels to doubt, second readers blind to the first, how far they agree."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, table
from passage_cv.dataset.agreement import Agreement, agreement
from passage_cv.dataset.confirming import keep_confirmed
from passage_cv.dataset.disputes import find_disputes
from passage_cv.dataset.reading_sheet import read_filled, write_reading_sheet
from passage_cv.dataset.store import Store
from passage_cv.errors import UsageError
from passage_cv.intake.names import any_names
from passage_cv.policy import read_policy
from passage_cv.scores import read_scores

app = command_app()
StoreOption = Annotated[str, typer.Option("--store", help="Store: a folder or an S3-compatible address.")]
ReaderOption = Annotated[str, typer.Option(help="The second reader's initials.")]
JsonOption = Annotated[bool, typer.Option("--json", help="For machines.")]
AnyNameOption = Annotated[bool, typer.Option(help="Take names that are on no list (open data).")]


@app.callback()
def labels() -> None:
    """Whether the labels are right: doubted ones first, and second readers who have not seen them."""


@app.command()
def disputed(
    scores: Annotated[Path, typer.Argument(help="Scores with out-of-fold rows of role train.")],
    most: Annotated[int, typer.Option(min=1, help="Show at most so many.")] = 30,
    as_json: JsonOption = False,
) -> None:
    """Individuals whose label the model disputes out of fold, worst first; cut and test are never asked."""
    found = find_disputes(read_scores(scores))
    if as_json:
        show_json([asdict(one) | {"odds": one.odds} for one in found])
        return
    show(f"{len(found)} individuals of role train are disputed; the first {min(most, len(found))}:")
    rows = [
        (one.individual, one.label, one.says, f"{one.probability_of_label:.4f}", f"{one.odds:.3g}", len(one.images))
        for one in found[:most]
    ]
    table(("individual", "label", "the model says", "probability of label", "times likelier", "images"), rows)


@app.command()
def sheet(
    store: StoreOption,
    reader: ReaderOption,
    out: Annotated[Path, typer.Option("--out", "-o", help="New folder for the sheet.")],
    most: Annotated[int, typer.Option(min=1, help="At most so many fish.")] = 60,
    disputed_by: Annotated[
        Path | None, typer.Option("--disputed", help="Only fish that these scores dispute; not counted for kappa.")
    ] = None,
) -> None:
    """A reading sheet without a label on it: pictures to look at, and a CSV to fill in anywhere."""
    among = [one.individual for one in find_disputes(read_scores(disputed_by))] if disputed_by else None
    with progress_bar() as progress:
        n = write_reading_sheet(Store.open(store), reader, out, among=among, most=most, progress=progress)
    show(f"{n} fish for {reader}: open {out / 'reading.html'}, fill in {out / 'reading.csv'}, then labels record")


@app.command()
def record(
    filled: Annotated[Path, typer.Argument(help="The filled-in reading.csv.")],
    store: StoreOption,
    reader: ReaderOption,
    any_name: AnyNameOption = False,
) -> None:
    """Keep what a second reader wrote, each fish with name and time; empty lines are left for later."""
    kept = read_filled(Store.open(store), filled, reader, names=any_names() if any_name else None)
    unsure = sum(not one.scientificName for one in kept)
    show(f"{len(kept)} readings by {reader} kept, {unsure} of them unsure")


@app.command("agreement")
def agreement_(store: StoreOption, as_json: JsonOption = False) -> None:
    """Second readers against the labels: the table, Cohen's kappa with its interval, and the disputed fish."""
    found = agreement(Store.open(store))
    if as_json:
        show_json(asdict(found) | {"disputed": [one.model_dump(mode="json") for one in found.disputed]})
        return
    rows = [(name, *counts) for name, counts in zip(found.classes, found.table, strict=True)]
    if rows:
        table(("labelled, then read as", *found.classes), rows)
    show(_in_words(found))
    for one in found.disputed:
        show(
            f"  {one.individual}: {one.first}, read as {one.scientificName} by {one.reader}, {one.at[:10]} {one.note}"
        )


@app.command()
def confirm(
    store: StoreOption,
    author: Annotated[str, typer.Option(help="Who decides.")],
    why: Annotated[str, typer.Option(help="The reason, for the history.")],
    policy: Annotated[Path | None, typer.Option(help="Classes with confirmed_only in this policy.")] = None,
    species: Annotated[list[str] | None, typer.Option(help="Or a species, by scientific name.")] = None,
) -> None:
    """From now on, cut and test of look-alikes hold confirmed fish only; call it again when more were read."""
    asked = [rule.scientific_name for rule in read_policy(policy).classes if rule.confirmed_only] if policy else []
    classes = [*asked, *(species or ())]
    if not classes:
        raise UsageError("No class is named", do="Set confirmed_only = true for a class of the policy, or --species.")
    version = keep_confirmed(Store.open(store), classes, author=author, why=why)
    show(f"Version {version.name}: {version.record.reason}" if version else "Nothing had to change.")


def _in_words(found: Agreement) -> str:
    if found.kappa:
        kappa = found.kappa
        said = f"kappa {kappa.value:.3f} (95 % interval {kappa.low:.3f} to {kappa.upper:.3f})"
    else:
        said = f"kappa has no value: {found.reason}"
    return (
        f"{found.agreed} of {found.n_read} individuals read as labelled, {said}; {found.unsure} unsure,"
        f" {found.chosen} read because they were doubted and not counted;"
        f" readers {', '.join(found.readers) or 'none'}"
    )
