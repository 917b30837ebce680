"""``passage-cv accept``: keep batches in the store, each whole or not at all."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from passage_cv.cli.check import SHOWN, read_exclusions, show_findings
from passage_cv.cli.console import command_app, progress_bar, show, show_json, table, warn
from passage_cv.config import parse_settings
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.receipt import Receipt
from passage_cv.dataset.receipt_page import receipt_page
from passage_cv.dataset.store import Store, StoreSettings, store_exists
from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.intake.check import check_batch
from passage_cv.intake.names import any_names
from passage_cv.intake.refused import note_accepted, set_batch_aside
from passage_cv.intake.sheet import RESOLUTIONS
from passage_cv.policy import read_policy

app = command_app()


@app.command()
def accept(  # noqa: PLR0917 - typer fills these by name
    batch: Annotated[Path, typer.Argument(help="Batch folder: sheet, trip.toml, pictures.")],
    store: Annotated[str, typer.Option(help="Store: a folder or an S3-compatible address.")],
    author: Annotated[str, typer.Option(help="Who accepts it.")],
    reason: Annotated[str, typer.Option(help="For the history.")] = "",
    exclude: Annotated[
        list[str] | None, typer.Option(help='Leave a picture out, as "images/7.jpg=cut off by the frame".')
    ] = None,
    any_name: Annotated[bool, typer.Option(help="Take names that are on no list (open data).")] = False,
    unit: Annotated[
        Literal["trip", "individual"] | None, typer.Option(help="First accept: roles are drawn per trip or fish.")
    ] = None,
    shares: Annotated[
        tuple[float, float, float] | None, typer.Option(help="First accept: shares of train, cut and test.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="First accept: seed of the draws.")] = None,
    policy: Annotated[
        Path | None, typer.Option(help="First accept: trips with its limited classes are drawn apart.")
    ] = None,
    layouts: Annotated[
        Path | None, typer.Option(help="A site's folder of confirmed layouts, found again by a sheet's headings.")
    ] = None,
    aside: Annotated[
        Path | None, typer.Option("--set-aside", help="Where a refused batch is kept whole, to be resumed later.")
    ] = None,
    receipt_to: Annotated[
        Path | None, typer.Option("--receipt", help="Write the receipt as a page to keep or print (HTML).")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="The receipt for machines.")] = False,
) -> None:
    """Check a batch and keep it as a new version of the data set, all of it or none.

    The first accept makes the store and fixes its drawing unit, shares and seed for good: by trip, 0.4 / 0.4
    / 0.2 and seed 0 unless you say otherwise.
    """
    with progress_bar() as progress:
        checked = check_batch(
            batch,
            names=any_names() if any_name else None,
            excluded=read_exclusions(exclude or ()),
            layouts=layouts,
            progress=progress,
        )
        if checked.unresolved and not as_json:
            show_findings(checked, limit=SHOWN)
        given = _given_settings(unit, shares, seed, policy)
        try:
            receipt = accept_batch(checked, _open(store, given), author=author, reason=reason, progress=progress)
        except InputError as refusal:
            if aside:
                kept = set_batch_aside(checked, aside, why=str(refusal), at=datetime.now(UTC).isoformat())
                warn(f"Set aside whole: {kept}. Decide in {RESOLUTIONS} there, then accept that folder.")
            raise
    now = datetime.now(UTC).isoformat()
    noted = note_accepted(checked, aside, version=receipt.version, who=author, at=now) if receipt.changed else []
    if receipt_to:
        write_text(receipt_to, receipt_page(receipt))
    if as_json:
        show_json(receipt.as_dict())
    else:
        _show_receipt(receipt)
        for path in noted:
            show(f"It was refused before; that is history now: {path}")


def _given_settings(
    unit: str | None, shares: tuple[float, float, float] | None, seed: int | None, policy: Path | None
) -> dict[str, object]:
    """The settings named on the command line, checked with the store's own record."""
    given: dict[str, object] = {}
    if unit:
        given["unit"] = unit
    if shares:
        given["shares"] = dict(zip(("train", "cut", "test"), shares, strict=True))
    if seed is not None:
        given["seed"] = seed
    if policy:
        rules = read_policy(policy).in_group("exclude", "protected")
        given["limited"] = tuple(rule.scientific_name for rule in rules)
    return given


def _open(root: str, given: dict[str, object]) -> Store:
    if not given and store_exists(root):
        return Store.open(root)
    return Store.create(root, parse_settings(given, StoreSettings, where="command line"))


def _show_receipt(receipt: Receipt) -> None:
    if not receipt.changed:
        show(f"The store already has batch {receipt.batch}; nothing was changed.")
    show(f"Version {receipt.version}: {receipt.n_individuals} individuals, {receipt.n_images} images.")
    rows = [(role, n["individuals"], n["images"]) for role, n in receipt.roles.items()]
    table(("role", "individuals", "images"), rows)
    for reason, n in receipt.excluded.items():
        show(f"Excluded, {n} images: {reason}")
    for image, reason in receipt.left_out.items():
        show(f"Left out: {image}, {reason}")
