"""What the commands for set-ups and for permits share: whose store, who and why, and putting on file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from passage_cv.cli.console import show
from passage_cv.dataset.registers import put_on_file
from passage_cv.dataset.store import Store
from passage_cv.intake.permits import Permit
from passage_cv.intake.setups import Setup

StoreOption = Annotated[str, typer.Option("--store", help="Store: a folder or an S3-compatible address.")]
JsonOption = Annotated[bool, typer.Option("--json", help="For machines.")]
AuthorOption = Annotated[str, typer.Option(help="Who puts it on file.")]
WhyOption = Annotated[str, typer.Option(help="The reason, for the history, for example renewed.")]


def put_and_say(
    store: str, *, setups: Sequence[Setup] = (), permits: Sequence[Permit] = (), author: str, why: str
) -> None:
    """Put on file and show the new version."""
    version = put_on_file(Store.open(store), setups=setups, permits=permits, author=author, why=why)
    show(f"Version {version.name}: {version.record.reason}" if version else "All of it is on file already.")
