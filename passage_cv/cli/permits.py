"""``passage-cv permits``: what each permit allows, how many fish were handled, how many are left."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, show_json, table
from passage_cv.cli.registers import AuthorOption, JsonOption, StoreOption, WhyOption, put_and_say
from passage_cv.dataset.permit_counts import PermitUse, permit_use
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.intake.permits import read_permits

app = command_app()


@app.callback()
def permits() -> None:
    """Permits and protocols on file, with running counts; batches bring them in permits.toml."""


@app.command("list")
def list_(
    store: StoreOption,
    version: Annotated[str, typer.Argument(help="Name, number or latest.")] = "latest",
    as_json: JsonOption = False,
) -> None:
    """Handled, allowed and left per permit and species; exit code 1 where more were handled than allowed."""
    found = permit_use(open_version(Store.open(store), version))
    if as_json:
        show_json([asdict(one) for one in found])
    else:
        rows = [
            (one.permit, one.protocol, one.until, one.species, one.handled, _allowed(one), _left(one))
            for one in found
        ]
        table(("permit", "protocol", "until", "species", "handled", "allowed", "left"), rows)
    raise typer.Exit(1 if any(one.left is not None and one.left < 0 for one in found) else 0)


@app.command()
def add(
    file: Annotated[Path, typer.Argument(help="A permits.toml.")],
    store: StoreOption,
    author: AuthorOption,
    why: WhyOption,
) -> None:
    """Put permits on file, or a renewed one in place of the one of its number; old versions keep the old one."""
    put_and_say(store, permits=read_permits(file), author=author, why=why)


def _allowed(one: PermitUse) -> str:
    if one.allowed is not None:
        return str(one.allowed)
    if not one.until:
        return "permit not on file"
    return "any number" if one.is_named else "NOT NAMED"


def _left(one: PermitUse) -> str:
    if one.left is None:
        return ""
    return str(one.left) if one.left >= 0 else f"{-one.left} OVER"
