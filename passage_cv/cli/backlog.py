"""``passage-cv backlog``: years of folders named by species become batch folders."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, table
from passage_cv.intake.backlog import number_animals, survey_backlog, write_backlog

app = command_app()


@app.command()
def backlog(
    folders: Annotated[Path, typer.Argument(help="Folder above those that are named by species.")],
    out: Annotated[Path, typer.Option(help="Where the batch folders go.")],
    location: Annotated[str, typer.Option(help="Site code, for all of them.")],
    permit: Annotated[str, typer.Option(help="Collecting permit, for all of them.")] = "",
    protocol: Annotated[str, typer.Option(help="Animal-care protocol, for all of them.")] = "",
) -> None:
    """Write a batch folder per day (or per year, where no day is known) from pictures sorted by species.

    Pictures that follow each other within two minutes in one folder are taken for one animal. The batch folders are
    then checked, corrected and accepted like any other; folders that name no species are asked about there.
    """
    with progress_bar() as progress:
        found = survey_backlog(folders, progress=progress)
    facts = {"locationID": location, "permit": permit, "animalCareProtocol": protocol}
    written = write_backlog(found, out, {key: value for key, value in facts.items() if value})
    rows = [
        (folder.name, len(pictures), len(set(number_animals(pictures))), sum(one.species is None for one in pictures))
        for folder, pictures in zip(written, found.events.values(), strict=True)
    ]
    table(("batch", "pictures", "animals", "without species"), rows)
    for folder, meant in found.unnamed.items():
        show(f"{folder or '.'} names no species" + (f"; perhaps {', or '.join(meant)}" if meant else ""))
    show(f"{found.n_pictures} pictures in {len(written)} batch folders below {out}; check and accept each")
