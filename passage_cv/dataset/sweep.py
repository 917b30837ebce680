"""Clear what killed or refused writers left: files that nothing names or that were withdrawn, once old enough.

A writer at work has files that no version names yet, so nothing younger than the grace period is touched.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from passage_cv.dataset.facts import BatchEntry
from passage_cv.dataset.keys import KEYS
from passage_cv.dataset.rows import read_segment
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import values
from passage_cv.dataset.versions import latest_version, list_versions, open_version, withdrawn_images

GRACE_HOURS = 24.0
"""Longer than any accept takes [ours]."""
_FOLDERS = (
    "objects",
    "working",
    "segments",
    "facts",
    "versions",
    "batches",
    "heads",
    "ledger",
    "packs",
    "keys",
    "readings",
)
_PART = ".part-"


@dataclass(frozen=True, slots=True)
class Sweep:
    """What was, or would be, removed."""

    paths: tuple[str, ...]
    n_bytes: int
    removed: bool


def sweep_store(
    store: Store, *, grace_hours: float = GRACE_HOURS, remove: bool = False, now: datetime | None = None
) -> Sweep:
    """Find leftovers older than the grace period, and remove them if asked.

    Parameters
    ----------
    store
        What to look at. Every file that any version names is kept.
    grace_hours
        Age below which a file may belong to a writer at work.
    remove
        False only tells.
    now
        For tests; the clock by default.
    """
    before = (now or datetime.now(UTC)) - timedelta(hours=grace_hours)
    named = _named(store)
    found = [
        (path, size)
        for folder in _FOLDERS
        for path, size, changed in store.storage.walk(folder)
        if changed <= before and _is_left_over(path, named)
    ]
    if remove:
        for path, _ in found:
            store.storage.remove(path)
    return Sweep(tuple(path for path, _ in found), sum(size for _, size in found), remove)


def _is_left_over(path: str, named: set[str]) -> bool:
    folder, _, rest = path.partition("/")
    name = rest.rpartition("/")[2]
    if name.startswith(_PART):
        return True
    if folder in {"objects", "working"}:
        return name.partition(".")[0] not in named
    if folder == "batches":
        return rest.partition("/")[0] not in named
    if folder == "keys":
        return not name.endswith(KEYS) or name.partition(".")[0] not in named
    return folder in {"segments", "facts", "versions"} and name.rpartition(".")[0] not in named


def _named(store: Store) -> set[str]:
    """Every name that some version refers to: pictures, segments, facts, version files, batches, newest parts."""
    named: set[str] = set()
    entries: dict[BatchEntry, None] = {}
    for info in list_versions(store):
        version = open_version(store, info.name)
        named |= {info.name, *version.record.facts, *version.record.sealed}
        entries |= dict.fromkeys(version.entries)
    for entry in entries:
        named |= {entry.id, entry.segment, entry.roles, *values(read_segment(store, entry.segment), "image_sha256")}
    newest = latest_version(store)
    named |= {part[:12] for part in newest.parts} if newest else set()
    return named - withdrawn_images(newest)
