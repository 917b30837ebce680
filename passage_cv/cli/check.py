"""``passage-cv check``: all findings of a batch folder at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, table
from passage_cv.dataset.accept import check_beside_store
from passage_cv.dataset.store import Store
from passage_cv.errors import UsageError
from passage_cv.files import write_text
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import check_batch
from passage_cv.intake.layout import draft_layout as make_layout
from passage_cv.intake.layout import remember_layout, write_layout
from passage_cv.intake.names import any_names
from passage_cv.intake.pairing import propose_pairing
from passage_cv.intake.pairing_file import write_pairing
from passage_cv.intake.refused import draft_of
from passage_cv.intake.sheet import LAYOUT, PAIRING, RESOLUTIONS, read_sheet

app = command_app()
SHOWN = 10


@app.command()
def check(  # noqa: PLR0917 - typer fills these by name
    batch: Annotated[Path, typer.Argument(help="Batch folder: sheet, trip.toml, pictures.")],
    exclude: Annotated[
        list[str] | None, typer.Option(help='Leave a picture out, as "images/7.jpg=cut off by the frame".')
    ] = None,
    any_name: Annotated[bool, typer.Option(help="Take names that are on no list (open data).")] = False,
    everything: Annotated[bool, typer.Option("--all", help="Show more than ten findings of a kind.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Findings for machines (format 2).")] = False,
    store: Annotated[
        str | None, typer.Option(help="Also hold it against this data set: known pictures, look-alikes, set-ups.")
    ] = None,
    layouts: Annotated[
        Path | None, typer.Option(help="A site's folder of confirmed layouts, found again by a sheet's headings.")
    ] = None,
    draft_layout_to: Annotated[
        Path | None, typer.Option("--draft-layout", help="Write what the headings may mean as a layout to confirm.")
    ] = None,
    pair: Annotated[
        Path | None, typer.Option(help="Write which pictures may belong to which lines, to correct and sign (pair).")
    ] = None,
    draft: Annotated[
        Path | None, typer.Option(help="Write the findings as a resolutions file to fill in (who, why).")
    ] = None,
) -> None:
    """Look through a batch folder and show all findings at once; nothing is stored.

    With --layouts, the confirmed layout of this sheet is kept there and read for every later sheet with its headings.

    Exit code 1 where something must be resolved before the batch can be accepted.
    """
    with progress_bar() as progress:
        checked = check_batch(
            batch,
            names=any_names() if any_name else None,
            excluded=read_exclusions(exclude or ()),
            layouts=layouts,
            keep_working=False,
            progress=progress,
        )
    if store:
        checked = replace(checked, findings=(*checked.findings, *check_beside_store(checked, Store.open(store))))
    if layouts and checked.layout:
        remember_layout(checked.layout, layouts)
    told = list(_write_drafts(checked, layout_to=draft_layout_to, draft=draft, pair=pair, layouts=layouts))
    if as_json:
        show_json({"findings": [finding.as_dict() for finding in checked.findings]})
    else:
        show_findings(checked, limit=None if everything else SHOWN)
    for text in told if not as_json else ():
        show(text)
    raise typer.Exit(1 if checked.unresolved else 0)


def _write_drafts(
    checked: CheckedBatch, *, layout_to: Path | None, draft: Path | None, pair: Path | None, layouts: Path | None
) -> Iterator[str]:
    """Write the files to fill in that were asked for; says what each is."""
    if layout_to:
        write_layout(make_layout(read_sheet(checked.sheet), list(checked.proposals), who="?"), layout_to)
        yield f"Layout to confirm: {layout_to}; with your name in it, it counts as {LAYOUT} in the batch folder"
    if pair:
        write_pairing(propose_pairing(checked.folder, names=checked.names, layouts=layouts), pair)
        yield f"Pairing to confirm: {pair}; with your initials in it, it counts as {PAIRING} in the batch folder"
    if draft:
        write_text(draft, draft_of(checked, checked.findings))
        yield f"Decisions to fill in: {draft}; it counts as {RESOLUTIONS} in the batch folder"


def read_exclusions(texts: Sequence[str]) -> dict[str, str]:
    """``image=reason`` pairs from the command line.

    Raises
    ------
    UsageError
        If one gives no reason.
    """
    excluded = {}
    for text in texts:
        image, _, reason = text.partition("=")
        if not reason.strip():
            raise UsageError(f"{text!r} gives no reason", do='Write it as "images/7.jpg=reason".')
        excluded[image.strip()] = reason.strip()
    return excluded


def show_findings(checked: CheckedBatch, *, limit: int | None) -> None:
    """Every kind with its count, and the first findings of each."""
    for kind, n in Counter(finding.kind for finding in checked.findings).items():
        same = [finding for finding in checked.findings if finding.kind == kind]
        show(f"{kind} - {same[0].severity} ({n})")
        for finding in same[:limit]:
            show(f"  {finding.message}" + (f". {finding.proposal}" if finding.proposal else ""))
        if limit is not None and n > limit:
            show(f"  and {n - limit} more")
    individuals = {line.individual for line in checked.kept_lines() if line.individual}
    for finding, decision in checked.resolved:
        show(f"Let stand by {decision.who}: {finding.message} ({decision.why})")
    must, others = len(checked.unresolved), len(checked.findings) - len(checked.unresolved)
    table(
        ("lines", "pictures", "individuals", "left out", "must resolve", "other findings"),
        [(len(checked.rows), len(checked.images), len(individuals), len(checked.excluded), must, others)],
    )
