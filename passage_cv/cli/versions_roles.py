"""Whether roles are clean, what each class lacks, and where the next trip should collect (``versions …``)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import progress_bar, show, show_json, table
from passage_cv.cli.versions_out import StoreOption, VersionArgument
from passage_cv.dataset.coverage import Condition, Unrecorded, count_cover, count_unrecorded, next_trips, thin_cells
from passage_cv.dataset.figures import draw_cover
from passage_cv.dataset.leaks import Leak, find_leaks
from passage_cv.dataset.missing import Standing, what_is_missing
from passage_cv.dataset.redraw import check_draws
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.planning.sampling import plan_for_policy
from passage_cv.policy import Policy, read_policy
from passage_cv.records import ROLES

JsonOption = Annotated[bool, typer.Option("--json", help="For machines.")]
LOOKING = "Looking at the roles"
_SHOWN_GAPS = 2


def roles(
    store: StoreOption,
    version: VersionArgument = "latest",
    policy: Annotated[Path | None, typer.Option(help="Say what each class lacks for its limit.")] = None,
    least: Annotated[int, typer.Option(help="Show levels with fewer individuals of a class than this.")] = 0,
    as_json: JsonOption = False,
) -> None:
    """Whether anything stands in two roles, and what each class lacks; exit code 1 where roles leak.

    Looks for pictures, tags, individuals, events and near-duplicates in two roles, and repeats every draw from
    the recorded seed.
    """
    opened = open_version(Store.open(store), version)
    rules = read_policy(policy) if policy else None
    with progress_bar() as progress:
        progress(LOOKING, 0, 4)
        leaks = find_leaks(opened)
        progress(LOOKING, 1, 4)
        leaks = [*leaks, *check_draws(opened)]
        progress(LOOKING, 2, 4)
        cells = count_cover(opened)
        progress(LOOKING, 3, 4)
        standings = what_is_missing(opened, _needed(rules), by_trip=rules is not None and rules.mode != "fish")
    if as_json:
        show_json(
            {
                "version": opened.name,
                "leaks": [asdict(leak) for leak in leaks],
                "classes": [asdict(one) for one in standings],
                "cover": [asdict(cell) for cell in cells],
            }
        )
    else:
        show(f"Version {opened.name}: what stands in more than one role, or was not drawn")
        rows = [(leak.what, leak.n, leak.shared, _verdict(leak), ", ".join(leak.examples)) for leak in leaks]
        table(("looked at", "number", "found", "", "for example"), rows)
        show("Individuals (trips) per class and role; further trips are those like the ones that caught the class:")
        headings = ("class", *ROLES[:3], "needed in cut", "missing", "further trips")
        table(headings, [_standing_row(one) for one in standings])
        if least:
            thin = thin_cells([cell for cell in cells if cell.dimension != "trip"], least)
            show(f"Levels with fewer than {least} individuals:")
            table(
                ("class", "what", "level", "individuals", "trips"),
                [(c.name, c.dimension, c.level, c.n_individuals, c.n_trips) for c in thin],
            )
    raise typer.Exit(1 if any(leak.is_fault for leak in leaks) else 0)


def cover(
    store: StoreOption,
    version: VersionArgument = "latest",
    least: Annotated[int, typer.Option(min=1, help="Individuals wanted of each class and size.")] = 10,
    out: Annotated[Path | None, typer.Option("--out", "-o", help="Also draw it: a file .png or .svg.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Where the next trip should collect: light and turbidity under which most classes and sizes are lacking."""
    opened = open_version(Store.open(store), version)
    found, without = next_trips(opened, least), count_unrecorded(opened)
    if as_json:
        conditions = [asdict(one) for one in found]
        show_json({"version": opened.name, "least": least, "conditions": conditions, "unrecorded": asdict(without)})
    else:
        _show_conditions(opened.name, found, without, least)
    if out:
        draw_cover(opened, out, least=least)
        show(f"Drawn: {out}")


def _show_conditions(version: str, found: list[Condition], without: Unrecorded, least: int) -> None:
    """The conditions to look for next, and how many fish could not be counted since none was written down."""
    if found:
        show(f"Version {version}, {least} individuals wanted of each class and size; what fills most comes first:")
        headings = ("light", "turbidity", "individuals", "trips", "lacking", "emptiest")
        table(headings, [_condition_row(one) for one in found])
    else:
        show(f"Version {version}: no fish has light and turbidity, so nothing says where the next trip should go.")
    if without.light or without.turbidity:
        show(f"{without.light} individuals without light, {without.turbidity} without turbidity: record them.")


def _needed(policy: Policy | None) -> Mapping[str, int]:
    """Individuals or trips that each limited class needs in ``cut``, by scientific name."""
    limited = policy and any(rule.miss_limit or rule.false_rejection_limit for rule in policy.classes)
    return {need.name: need.individuals for need in plan_for_policy(policy)} if policy and limited else {}


def _standing_row(one: Standing) -> tuple[object, ...]:
    counts = [f"{one.individuals.get(role, 0)} ({one.trips.get(role, 0)})" for role in ROLES[:3]]
    needed = "" if one.needed is None else f"{one.needed} trips" if one.by_trip else str(one.needed)
    missing = "" if one.missing is None else one.missing
    further = "" if one.missing is None else "none caught it" if one.further_trips is None else one.further_trips
    return (one.name, *counts, needed, missing, further)


def _condition_row(one: Condition) -> tuple[object, ...]:
    gaps = [f"{name} {size}: {n}" for name, size, n in one.gaps[:_SHOWN_GAPS]]
    more = f" and {len(one.gaps) - _SHOWN_GAPS} more" if len(one.gaps) > _SHOWN_GAPS else ""
    return (one.light, one.turbidity, one.n_individuals, len(one.trips), one.lacking, "; ".join(gaps) + more)


def _verdict(leak: Leak) -> str:
    if leak.is_fault:
        return "LEAK"
    return "shared by design" if leak.shared else "none"
