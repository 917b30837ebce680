"""``passage-cv versions``: the history of the data set and its roles."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, table
from passage_cv.cli.versions_out import StoreOption, backup, browse, export
from passage_cv.cli.versions_roles import cover, roles
from passage_cv.dataset.amendments import amend as amend_store
from passage_cv.dataset.diff import diff_versions
from passage_cv.dataset.facts import AmendmentKind
from passage_cv.dataset.store import Store
from passage_cv.dataset.sweep import GRACE_HOURS, sweep_store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import count_roles, list_versions, open_version
from passage_cv.records import ROLES

app = command_app()
JsonOption = Annotated[bool, typer.Option("--json", help="For machines.")]


@app.callback()
def versions() -> None:
    """What the data set was at any time: each version stays exactly as it was."""


@app.command("list")
def list_(store: StoreOption, as_json: JsonOption = False) -> None:
    """Every version, oldest first."""
    found = list_versions(Store.open(store))
    if as_json:
        show_json([asdict(info) for info in found])
        return
    rows = [(info.name, info.n_batches, info.at[:19], info.author, info.reason) for info in found]
    table(("version", "batches", "when", "who", "why"), rows)


@app.command("show")
def show_(
    store: StoreOption,
    version: Annotated[str, typer.Argument(help="Name, number or latest.")] = "latest",
    as_json: JsonOption = False,
) -> None:
    """What one version holds: individuals and images per class and role."""
    opened = open_version(Store.open(store), version)
    counts = count_roles(opened)
    if as_json:
        show_json({"version": opened.name, **opened.record.model_dump(mode="json"), "classes": counts})
        return
    record = opened.record
    show(f"Version {opened.name}: {record.n_batches} batches, {record.reason} ({record.author}, {record.at})")
    rows = [[name, *(n.get(role, 0) for role in ROLES)] for name, n in counts.items()]
    totals = [sum(n.get(role, 0) for n in counts.values()) for role in ROLES]
    table(("individuals of", *ROLES), [*rows, ["all", *totals]])


@app.command()
def diff(
    store: StoreOption,
    older: Annotated[str, typer.Argument(help="Name or number.")],
    newer: Annotated[str, typer.Argument(help="Name, number or latest; the order does not matter.")] = "latest",
    as_json: JsonOption = False,
) -> None:
    """What came and what was changed between two versions."""
    opened = Store.open(store)
    two = sorted((open_version(opened, name) for name in (older, newer)), key=lambda one: one.record.number)
    found = diff_versions(*two)
    if as_json:
        show_json(asdict(found))
        return
    show(f"{found.older} to {found.newer}: {found.n_came} images came, {found.n_went} went")
    for batch in found.batches:
        show(f"  batch {batch}")
    changes = Counter((change.column, change.before, change.after) for change in found.changes)
    for (column, before, after), n in changes.items():
        show(f"  {column} {before or 'empty'} became {after or 'empty'}: {n} images")
    for one in found.decisions:
        becomes = f" to {one.becomes}" if one.becomes else ""
        show(f"  {one.kind} {one.about}{becomes}: {one.why} ({one.author}, {one.at[:10]})")


@app.command()
def verify(
    store: StoreOption,
    sample: Annotated[int | None, typer.Option(min=0, help="Read only this many pictures, others each time.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Hash every file again; exit code 1 where a byte was changed or lost."""
    with progress_bar() as progress:
        found = verify_store(Store.open(store), sample=sample, progress=progress)
    if as_json:
        show_json(asdict(found))
    else:
        for problem in found.problems:
            show(problem)
        for leftover in found.leftovers:
            show(f"{leftover} is named by no version (a killed writer left it, or the last head was lost)")
        if found.n_withdrawn:
            show(f"withdrawn pictures: {found.n_withdrawn}; their files are gone for good, their rows stay")
        read = f"{found.n_pictures_read} of {found.n_pictures - found.n_withdrawn} pictures"
        state = f"NOT SOUND, {len(found.problems)} problems" if found.problems else "sound"
        show(f"Store is {state}: {found.n_versions} versions, {found.n_batches} batches, {read} read")
    raise typer.Exit(1 if found.problems else 0)


@app.command()
def amend(  # noqa: PLR0917 - typer fills these by name
    store: StoreOption,
    kind: Annotated[AmendmentKind, typer.Argument(help="What is decided.")],
    author: Annotated[str, typer.Option(help="Who decides.")],
    why: Annotated[str, typer.Option(help="The reason, for the history.")],
    individual: Annotated[str, typer.Option(help="The fish it is about.")] = "",
    image: Annotated[list[str] | None, typer.Option(help="Or single pictures, by content hash.")] = None,
    becomes: Annotated[str, typer.Option(help="The species (relabel) or fish (merge, split).")] = "",
    method: Annotated[str, typer.Option(help="How a new species was found, for example genetic.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Add a later decision as a new version; every older version stays as it was.

    relabel a fish as another species, exclude a fish or pictures from every role, merge a fish into another,
    split pictures off as a fish of their own, or withdraw pictures, which also deletes their files.
    """
    version = amend_store(
        Store.open(store),
        kind,
        author=author,
        why=why,
        individual=individual,
        images=image or (),
        becomes=becomes,
        method=method,
    )
    if as_json:
        show_json(version.amendments[-1].model_dump(mode="json") | {"version": version.name})
    else:
        show(f"Version {version.name}: {version.record.reason}")


@app.command()
def sweep(
    store: StoreOption,
    older_than_hours: Annotated[float, typer.Option(min=0.0, help="Leave younger files alone.")] = GRACE_HOURS,
    remove: Annotated[bool, typer.Option(help="Remove them; without it they are only told.")] = False,
) -> None:
    """Find files that killed writers left and no version names, and remove them if asked."""
    found = sweep_store(Store.open(store), grace_hours=older_than_hours, remove=remove)
    for path in found.paths:
        show(path)
    did = "removed" if found.removed else "could be removed"
    show(f"{len(found.paths)} files, {found.n_bytes / 1e6:.1f} MB, {did}")


for elsewhere in (roles, cover, export, backup, browse):
    app.command()(elsewhere)
