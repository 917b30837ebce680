"""What leaves a store: exports for other programs, copies to keep, a folder to look through (``versions …``)."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import progress_bar, show, table
from passage_cv.dataset.available import n_withdrawn_since
from passage_cv.dataset.backup import copy_store
from passage_cv.dataset.browse import browse_version
from passage_cv.dataset.card import About
from passage_cv.dataset.export import Form, export_version
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import UsageError

StoreOption = Annotated[str, typer.Option("--store", help="Store: a folder or an S3-compatible address.")]
VersionArgument = Annotated[str, typer.Argument(help="Name, number or latest.")]


def export(
    store: StoreOption,
    out: Annotated[Path, typer.Option("--out", "-o", help="New folder.")],
    version: VersionArgument = "latest",
    form: Annotated[
        Form, typer.Option(help="folders (a folder per role and class), coco or darwin-core.")
    ] = "folders",
    creator: Annotated[str, typer.Option(help="With --license and --url: add a Croissant card.")] = "",
    license_: Annotated[str, typer.Option("--license", help="Address or name of the licence.")] = "",
    url: Annotated[str, typer.Option(help="Where the data set is published.")] = "",
) -> None:
    """Write a version's pictures and labels for other programs; excluded and people's pictures stay here."""
    if any((creator, license_, url)) and not all((creator, license_, url)):
        raise UsageError("A card needs --creator, --license and --url", do="Give all three or none.")
    about = About(creator=creator, license=license_, url=url) if creator else None
    with progress_bar() as progress:
        opened = open_version(Store.open(store), version)
        folder = export_version(opened, out, form, about=about, progress=progress)
    show(f"Version {opened.name} as {form}: {folder}")
    if gone := n_withdrawn_since(opened, "train", "cut", "test"):
        show(f"{gone} pictures of this version were withdrawn since and are not among them.")


def backup(
    store: StoreOption,
    to: Annotated[str, typer.Option(help="Folder or S3-compatible address of the copy.")],
) -> None:
    """Copy the whole store, also while somebody writes into it; a second time takes only what is new.

    To restore, use the copy as the store, or copy it back the same way. A store that nobody writes into may be
    copied by any other means.
    """
    with progress_bar() as progress:
        done = copy_store(Store.open(store), to, progress=progress)
    show(f"{done.n_copied} files copied, {done.n_bytes / 1e6:.1f} MB; {done.n_there} were there.")
    show(f"To be sure of the copy: passage-cv versions verify --store {to}")
    if done.n_withdrawn:
        show(f"{done.n_withdrawn} files of pictures whose consent was withdrawn were removed from the copy.")


def browse(
    store: StoreOption,
    out: Annotated[Path, typer.Option("--out", "-o", help="New folder, for example browse.")],
    version: VersionArgument = "latest",
    only: Annotated[list[str] | None, typer.Option(help="Only this species, by name or code.")] = None,
) -> None:
    """Make a folder to look through: pictures by label as links, and a page with all of them."""
    with progress_bar() as progress:
        opened = open_version(Store.open(store), version)
        counts = browse_version(opened, out, only=only or (), progress=progress)
    table(("class", "images"), list(counts.items()))
    show(f"Version {opened.name} by label: {out / 'index.html'}")
