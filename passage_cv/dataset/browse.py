"""A folder to look through: the pictures of a version by label, as links, with a page of small pictures.

``<out>/<class>/<individual>_<n>.<ext>`` links to the store's own files; ``index.html`` shows them all with role
and trip. Nothing is copied but the small pictures in the page. Pictures that show people are left out.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from passage_cv.dataset.pages import render_page
from passage_cv.dataset.small_pictures import small_picture
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import rows_without
from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.progress import Progress, silent, tracked

_SMALL = 160
_KEPT = "-_."


@dataclass(frozen=True, slots=True)
class Shown:
    """One picture on the page: ``link`` is the path below the folder, ``small`` a data address."""

    link: str
    small: str
    individual: str
    role: str
    trip: str
    purpose: str
    note: str


def browse_version(
    version: Version, out: Path, *, only: Iterable[str] = (), progress: Progress = silent
) -> dict[str, int]:
    """Write the folder, and return the number of pictures per class.

    Parameters
    ----------
    version
        What to look through; withdrawn pictures are gone and left out.
    out
        Folder to make; it must not be there.
    only
        Scientific names or codes to show; all by default.
    progress
        Told of each picture.

    Raises
    ------
    InputError
        If the folder is there, or no picture has one of these names.
    """
    if out.exists():
        raise InputError("Folder is there already", where=str(out), do="Name a new one.")
    wanted = set(only)
    rows = [
        row
        for row in rows_without(version.table(), "individual", "").to_pylist()
        if row["purpose"] != "people" and (not wanted or wanted & {row["scientificName"], row["code"]})
    ]
    if not rows:
        raise InputError("No picture has one of these names", where=version.name, do="See versions show.")
    pages: dict[str, list[Shown]] = defaultdict(list)
    for row in tracked(rows, "Linking pictures", progress):
        shown = _link(version.store, row, out, len(pages.get(row["scientificName"], ())))
        if shown:
            pages[row["scientificName"]].append(shown)
    write_text(out / "index.html", render_page("browse", version=version, pages=dict(sorted(pages.items()))))
    return {name: len(shown) for name, shown in sorted(pages.items())}


def _link(store: Store, row: dict[str, str], out: Path, n: int) -> Shown | None:
    """Link one picture below its class, and describe it; None where its file is gone."""
    found = store.find_object(row["image_sha256"])
    if found is None:
        return None
    label = row["code"] or row["scientificName"]
    link = f"{_safe(label)}/{_safe(row['individual'])}_{n}.{found.rpartition('.')[2]}"
    path = out / link
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(os.path.relpath(store.object_path(row["image_sha256"]).resolve(), path.parent.resolve()))
    return Shown(
        link=link,
        small=small_picture(store, row["image_sha256"], _SMALL),
        individual=row["individual"],
        role=row["role"],
        trip=row["trip"],
        purpose=row["purpose"],
        note=row["excluded_reason"],
    )


def _safe(name: str) -> str:
    return "".join(c if c.isalnum() or c in _KEPT else "_" for c in name).lstrip(".") or "_"
