"""What pages tell of a version of the data set: worked out once, kept in memory and beside the web database.

A version never changes and its name holds the hash of its contents, so nothing kept under a name can be out of date.
The work that accepts a batch remembers the new version before it ends; what other programs made is worked out when a
page first asks for it, and the page says so where that takes long (``patience``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import TypeAdapter, ValidationError

from passage_cv.dataset.coverage import Cell, count_cover
from passage_cv.dataset.diff import diff_versions
from passage_cv.dataset.facts import DrawFact
from passage_cv.dataset.leaks import Leak, find_leaks
from passage_cv.dataset.missing import Tally, tally_classes
from passage_cv.dataset.redraw import check_draws
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import (
    Version,
    VersionInfo,
    count_roles,
    latest_version,
    list_versions,
    open_version,
    version_info,
)
from passage_cv.files import write_text
from passage_cv.web.patience import soon
from passage_cv.web.settings import WebSettings

DRAWS_SHOWN = 500
AT_ONCE = 3000
"""Pictures up to which leaks are looked for with everything else: well under a second."""
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Held:
    """What a version holds; the first draws of its roles only, of ``n_draws`` in all."""

    counts: dict[str, dict[str, int]]
    draws: list[tuple[str, DrawFact]]
    n_draws: int
    excluded: dict[str, int]
    n_images: int


@dataclass(frozen=True, slots=True)
class Since:
    """What lies between two versions; ``changes`` counts pictures by column, value before and value after."""

    older: str
    newer: str
    batches: tuple[str, ...]
    n_came: int
    n_went: int
    changes: list[tuple[str, str, str, int]]


_HELD, _CELLS, _SINCE = TypeAdapter(Held), TypeAdapter(list[Cell]), TypeAdapter(Since)
_LEAKS, _TALLIES = TypeAdapter(list[Leak]), TypeAdapter(list[Tally])
_LISTED = TypeAdapter(tuple[VersionInfo, ...])


def held(settings: WebSettings, version: Version) -> Held:
    """Fish per class and role, and how units got their roles."""
    return _soon(settings, version, "held", _HELD, _hold)


def cells(settings: WebSettings, version: Version) -> list[Cell]:
    """Fish of each class at each level of each dimension."""
    return _soon(settings, version, "cells", _CELLS, count_cover)


def draws(settings: WebSettings, version: Version) -> list[Leak]:
    """Every draw of roles repeated from the seed."""
    return _soon(settings, version, "draws", _LEAKS, check_draws)


def tallies(settings: WebSettings, version: Version) -> list[Tally]:
    """Individuals and trips of each class."""
    return _soon(settings, version, "tallies", _TALLIES, tally_classes)


def leaks(settings: WebSettings, version: Version) -> list[Leak]:
    """What ties roles of a version together; of a large one it takes minutes, so work in the background looks."""
    return _soon(settings, version, "leaks", _LEAKS, find_leaks)


def since(settings: WebSettings, version: Version, older: Version) -> Since:
    """What came and what changed between two versions."""
    what = f"since-{older.name}"
    return _soon(settings, version, what, _SINCE, lambda found: _compare(found.store, found.name, older.name))


def versions(settings: WebSettings, store: Store) -> tuple[VersionInfo, ...]:
    """The history of the data set, oldest first."""
    newest = latest_version(store)
    if newest is None:
        return ()
    return soon((settings.data, store.storage.root, newest.name, "versions"), lambda: _history(settings.data, newest))


def remember(settings: WebSettings, newest: Version) -> bool:
    """Work out what pages will ask of a new version, so that nobody waits for it.

    Returns
    -------
    bool
        Whether leaks were looked for too; of a large version that takes minutes.
    """
    store, history = newest.store, _history(settings.data, newest)
    n_images = kept(place(settings.data, newest.name, "held"), _HELD, lambda: _hold(newest)).n_images
    kept(place(settings.data, newest.name, "cells"), _CELLS, lambda: count_cover(newest))
    kept(place(settings.data, newest.name, "draws"), _LEAKS, lambda: check_draws(newest))
    kept(place(settings.data, newest.name, "tallies"), _TALLIES, lambda: tally_classes(newest))
    if len(history) > 1:
        older = history[-2].name
        kept(place(settings.data, newest.name, f"since-{older}"), _SINCE, lambda: _compare(store, newest.name, older))
    if n_images <= AT_ONCE:
        kept(place(settings.data, newest.name, "leaks"), _LEAKS, lambda: find_leaks(newest))
    return n_images <= AT_ONCE


def keep_leaks(settings: WebSettings, version: Version, found: list[Leak]) -> None:
    """Keep what a search for leaks found, for the pages."""
    write_text(place(settings.data, version.name, "leaks"), _LEAKS.dump_json(found).decode())


def _soon(
    settings: WebSettings, version: Version, what: str, adapter: TypeAdapter[T], make: Callable[[Version], T]
) -> T:
    """What is kept of a version, else made; a page waits for it a moment only."""
    path = place(settings.data, version.name, what)
    return soon((path, settings.store_root), lambda: kept(path, adapter, lambda: make(version)))


def _history(data: Path, newest: Version) -> tuple[VersionInfo, ...]:
    """The history up to a version: that of the version before it and one line, where that was kept."""
    before = place(data, newest.record.parent, "versions")
    try:
        earlier = _LISTED.validate_json(before.read_bytes())
    except (OSError, ValidationError):
        return kept(place(data, newest.name, "versions"), _LISTED, lambda: tuple(list_versions(newest.store)))
    history = kept(place(data, newest.name, "versions"), _LISTED, lambda: (*earlier, version_info(newest.record)))
    before.unlink(missing_ok=True)  # the newer list holds it
    return history


def _hold(version: Version) -> Held:
    facts = version.roles_facts()
    draws = [(fact.batch, draw) for fact in facts for draw in fact.draws]
    return Held(
        counts=count_roles(version),
        draws=draws[:DRAWS_SHOWN],
        n_draws=len(draws),
        excluded=dict(Counter(reason for fact in facts for reason in fact.excluded.values())),
        n_images=len(version.table(("image_sha256",))),
    )


def _compare(store: Store, name: str, older: str) -> Since:
    found = diff_versions(open_version(store, older), open_version(store, name))
    counts = Counter((change.column, change.before, change.after) for change in found.changes)
    changes = [(*change, n) for change, n in counts.items()]
    return Since(found.older, found.newer, found.batches, found.n_came, found.n_went, changes)


def place(data: Path, version: str, what: str) -> Path:
    """Where something about a version is kept."""
    return data / "remembered" / version / f"{what}.json"


def kept(path: Path, adapter: TypeAdapter[T], make: Callable[[], T]) -> T:
    """Read what was kept; make and keep it where there is nothing, or another program's idea of it."""
    try:
        return adapter.validate_json(path.read_bytes())
    except (OSError, ValidationError):
        made = make()
        write_text(path, adapter.dump_json(made).decode())
        return made
