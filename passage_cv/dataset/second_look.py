"""Which fish of a version people called two species, and who did: these go to a second reader first.

A fish was called two species where a batch's sheet and a correction name two, where name and code differed and
were let stand, and where an amendment relabels it without saying that a second look confirms it. Whether it has been
read since is for ``readings`` to say, how a reader is kept blind for ``blind``.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from passage_cv.dataset.blind import CONFIRMING, Fish
from passage_cv.dataset.facts import Amendment, BatchEntry
from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.intake.dispute_checks import CONFLICT, DISPUTED

FINDINGS = "findings.json"
Line = tuple[str, int]
"""A batch and a row of its sheet."""


def disputed_among(version: Version, fish: Iterable[Fish]) -> dict[str, frozenset[str]]:
    """The disputed ones of some fish, each with those who decided about its species: they have seen both names.

    Parameters
    ----------
    version
        Whose decisions count; only what is kept of the batches of these fish is read.
    fish
        As :func:`passage_cv.dataset.blind.fish_of` gave them.

    Raises
    ------
    InputError
        If what was found in a batch is missing or damaged.
    """
    asked = list(fish)
    deciders = _decided_lines(version, {batch for one in asked for batch, _ in one.lines})
    relabels = _relabelled(version.amendments)
    found: dict[str, frozenset[str]] = {}
    for one in asked:
        own = [deciders[line] for line in one.lines if line in deciders]
        own += [relabels[name] for name in (one.individual, *one.images) if name in relabels]
        if own:
            found[one.individual] = frozenset().union(*own)
    return found


def _relabelled(amendments: Iterable[Amendment]) -> dict[str, frozenset[str]]:
    """Individuals and images that somebody relabelled with no method that confirms, and who did."""
    authors: dict[str, frozenset[str]] = {}
    for one in amendments:
        if one.kind == "relabel" and one.method not in CONFIRMING:
            for name in filter(None, (one.individual, *one.images)):
                authors[name] = authors.get(name, frozenset()) | {one.author}
    return authors


def _decided_lines(version: Version, batches: set[str]) -> dict[Line, frozenset[str]]:
    return {
        (entry.id, row): people
        for entry in version.entries
        if entry.id in batches
        for row, people in _rows_decided(_said_of(version, entry)).items()
    }


def _rows_decided(said: Mapping[str, Any]) -> dict[int, frozenset[str]]:
    """Rows whose fish was called two species, with everybody who decided something about the row."""
    stood = [one for one in said.get("let_stand", ()) if one["kind"] in {DISPUTED, CONFLICT}]
    told = [one for one in said.get("findings", ()) if one["kind"] == DISPUTED]
    rows = {one["row"] for one in (*stood, *told)}
    return {
        row: frozenset(one["who"] for one in (*stood, *said.get("corrected", ())) if one["row"] == row)
        for row in rows
    }


def _said_of(version: Version, entry: BatchEntry) -> dict[str, Any]:
    """What was found in a batch and decided about it; nothing where no findings were kept with it."""
    if FINDINGS not in version.roles_fact(entry).files:
        return {}
    path = f"batches/{entry.id}/{FINDINGS}"
    try:
        said: dict[str, Any] = json.loads(version.store.storage.read(path))
    except (FileNotFoundError, ValueError) as error:
        raise InputError(
            "What was found in a batch is missing or damaged",
            where=version.store.place(path),
            do="Run versions verify, and restore the file from a copy.",
        ) from error
    return said
