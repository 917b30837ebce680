"""What pages tell of a version of the data set: worked out once, kept in memory and beside the web database.

A version never changes and its name holds the hash of its contents, so nothing kept under a name can be out of date.
The work that accepts a batch remembers the new version before it ends; what other programs made is worked out when a
page first asks for it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from pydantic import TypeAdapter, ValidationError

from passage_cv.dataset.coverage import Cell, count_cover
from passage_cv.dataset.diff import diff_versions
from passage_cv.dataset.facts import DrawFact
from passage_cv.dataset.leaks import Leak, find_leaks
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version, VersionInfo, count_roles, latest_version, list_versions, open_version
from passage_cv.files import write_text
from passage_cv.web.settings import WebSettings

DRAWS_SHOWN = 500
IN_MEMORY = 64
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Held:
    """What a version holds; the first draws of its roles only."""

    counts: dict[str, dict[str, int]]
    draws: list[tuple[str, DrawFact]]
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
_LISTED = TypeAdapter(tuple[VersionInfo, ...])


def held(settings: WebSettings, version: Version) -> Held:
    """Fish per class and role, and how units got their roles."""
    return _held(settings.data, settings.store_root, version.name)


def cells(settings: WebSettings, version: Version) -> list[Cell]:
    """Fish of each class at each level of each dimension."""
    return _cells(settings.data, settings.store_root, version.name)


def since(settings: WebSettings, version: Version, older: Version) -> Since:
    """What came and what changed between two versions."""
    return _since(settings.data, settings.store_root, version.name, older.name)


def leaks(settings: WebSettings, version: Version) -> list[Leak]:
    """What ties roles of a small version together."""
    return _leaks(settings.store_root, version.name)


def versions(settings: WebSettings, store: Store) -> tuple[VersionInfo, ...]:
    """The history of the data set, oldest first."""
    newest = latest_version(store)
    return _listed(settings.data, settings.store_root, newest.name) if newest else ()


def remember_newest(settings: WebSettings, store: Store) -> None:
    """Work out what pages will ask of the newest version, so that nobody waits for it."""
    newest = latest_version(store)
    if newest is None:
        return
    history = versions(settings, store)
    held(settings, newest)
    cells(settings, newest)
    if len(history) > 1:
        since(settings, newest, open_version(store, history[-2].name))


@lru_cache(maxsize=IN_MEMORY)
def _held(data: Path, root: str, name: str) -> Held:
    return kept(place(data, name, "held"), _HELD, lambda: _hold(open_version(Store.open(root), name)))


@lru_cache(maxsize=IN_MEMORY)
def _cells(data: Path, root: str, name: str) -> list[Cell]:
    path = place(data, name, "cells")
    return kept(path, _CELLS, lambda: count_cover(open_version(Store.open(root), name)))


@lru_cache(maxsize=IN_MEMORY)
def _since(data: Path, root: str, name: str, older: str) -> Since:
    path = place(data, name, f"since-{older}")
    return kept(path, _SINCE, lambda: _compare(Store.open(root), name, older))


@lru_cache(maxsize=IN_MEMORY)
def _leaks(root: str, name: str) -> list[Leak]:
    return find_leaks(open_version(Store.open(root), name))


@lru_cache(maxsize=4)
def _listed(data: Path, root: str, newest: str) -> tuple[VersionInfo, ...]:
    path = place(data, newest, "versions")
    return kept(path, _LISTED, lambda: tuple(list_versions(Store.open(root))))


def _hold(version: Version) -> Held:
    facts = version.roles_facts()
    return Held(
        counts=count_roles(version),
        draws=[(fact.batch, draw) for fact in facts for draw in fact.draws][:DRAWS_SHOWN],
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
