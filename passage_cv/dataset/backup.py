"""Copy a store to another folder or address, also while somebody writes into it.

A store at rest may be copied by any means; a copy of one in use must have what its heads name. So heads are
copied first: everything they name was there before them, and what comes later is not yet named in the copy.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from passage_cv.dataset.storage import Storage, open_storage
from passage_cv.dataset.store import SETTINGS_FILE, Store
from passage_cv.dataset.versions import latest_version, withdrawn_images
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.progress import Progress, silent, tracked

FOLDERS = (
    "heads",
    "versions",
    "facts",
    "segments",
    "objects",
    "batches",
    "ledger",
    "readings",
    "packs",
    "keys",
    "working",
)
"""In the order in which they are copied; ``packs``, ``keys`` and ``working`` could be made again."""
PICTURES = ("objects", "working")
"""Folders of files named by the hash of a picture."""
_PART = ".part-"


@dataclass(frozen=True, slots=True)
class Copied:
    """How much a copy took, what was there already, and what it lost because consent was withdrawn since."""

    n_copied: int
    n_bytes: int
    n_there: int
    n_withdrawn: int = 0


def copy_store(store: Store, to: str | Path, *, progress: Progress = silent) -> Copied:
    """Copy a store; files that the copy has already are left alone, so a second time takes only what is new.

    Pictures whose consent was withdrawn are not copied, and are removed from the copy.

    Parameters
    ----------
    store
        What to copy: a local store or one behind an address.
    to
        Folder or address of the copy, empty or an earlier copy of the same store.
    progress
        Told of each file.

    Raises
    ------
    InputError
        If another store is there, or a file could not be read back as it was written.
    """
    target = open_storage(to)
    _require_same(store, target)
    gone = withdrawn_images(latest_version(store))
    files = [path for path in _files(store.storage) if not _shows(path, gone)]
    n_copied = n_bytes = 0
    for path in tracked(files, "Copying", progress):
        if target.exists(path):
            continue
        data = store.storage.read(path)
        target.put(path, data, durable=not path.startswith(("working/", "packs/", "keys/")))
        if sha256_bytes(target.read(path)) != sha256_bytes(data):
            raise InputError("File was not written as it was read", where=f"{target.root}/{path}", do="Try again.")
        n_copied, n_bytes = n_copied + 1, n_bytes + len(data)
    return Copied(n_copied, n_bytes, len(files) - n_copied, _remove(target, gone))


def _shows(path: str, images: set[str]) -> bool:
    """Whether a file is one of these pictures or its reduced copy."""
    return path.startswith(PICTURES) and path.rpartition("/")[2].partition(".")[0] in images


def _remove(target: Storage, images: set[str]) -> int:
    """Remove pictures from the copy; how many files that were."""
    if not images:
        return 0
    folders = [folder for folder in PICTURES if target.names(folder)]
    found = [path for folder in folders for path, _, _ in target.walk(folder) if _shows(path, images)]
    for path in found:
        target.remove(path)
    return len(found)


def _files(storage: Storage) -> Iterator[str]:
    """Heads first, then everything else, then the settings: a copy that was cut short is no store."""
    heads = [f"heads/{name}" for name in storage.names("heads")]
    yield from heads
    for folder in FOLDERS[1:]:
        if storage.names(folder):
            yield from (path for path, _, _ in storage.walk(folder) if not path.rpartition("/")[2].startswith(_PART))
    yield SETTINGS_FILE


def _require_same(store: Store, target: Storage) -> None:
    """Refuse a copy of another store, or one that went on by itself: its newest head says all that was before."""
    if target.exists(SETTINGS_FILE) and sha256_bytes(target.read(SETTINGS_FILE)) != store.settings_sha256:
        raise InputError("Another store is there", where=target.root, do="Name an empty folder for the copy.")
    heads = target.names("heads")
    if not heads:
        _require_nothing_else(target)
        return
    newest = f"heads/{heads[-1]}"
    if not store.storage.exists(newest) or target.read(newest) != store.storage.read(newest):
        raise InputError(
            f"The copy has a version {heads[-1]} of its own",
            where=target.root,
            do="Name an empty folder for the copy; two histories cannot be joined.",
        )


def _require_nothing_else(target: Storage) -> None:
    """Refuse a folder of something else: a copy among strange files is neither found nor restored by hand."""
    others = [name for name in target.names("") if name not in {*FOLDERS, SETTINGS_FILE}]
    if others:
        raise InputError(
            f"Holds something else: {', '.join(others[:3])}{' …' if len(others) > 3 else ''}",
            where=target.root,
            do="Name an empty folder for the copy.",
        )
