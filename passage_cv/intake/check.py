"""Read a batch folder, look at each picture once, run every check.

Comes in: a folder. Goes out: a :class:`CheckedBatch` with all findings at once. Nothing is kept or changed;
accepting is the data set's business.
"""

from __future__ import annotations

import shutil
import tempfile
import weakref
from collections.abc import Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.checks import CHECKS
from passage_cv.intake.headings import propose_headings
from passage_cv.intake.images import PICTURE_SUFFIXES, PictureTask, examine_picture
from passage_cv.intake.layout import apply_layout, find_layout
from passage_cv.intake.lines import build_lines
from passage_cv.intake.names import Names, read_species, shipped_names
from passage_cv.intake.resolutions import apply_corrections, check_decisions, read_resolutions
from passage_cv.intake.sheet import CHECKLIST, find_sheet, read_facts, read_sheet
from passage_cv.parallel import map_items
from passage_cv.progress import Progress, silent


def check_batch(  # noqa: PLR0913 - all but the folder by name, each with a plain default
    folder: Path,
    *,
    names: Names | None = None,
    headings: Mapping[str, str] | None = None,
    facts: Mapping[str, str] | None = None,
    excluded: Mapping[str, str] | None = None,
    layouts: Path | None = None,
    keep_working: bool = True,
    executor: Executor | None = None,
    progress: Progress = silent,
) -> CheckedBatch:
    """Check a batch folder: sheet, trip.toml and pictures.

    Parameters
    ----------
    folder
        Holds the sheet, perhaps trip.toml, checklist.csv and resolutions.toml, and the pictures below it.
    names
        What a fish may be called; by default the curated list, widened by ``checklist.csv`` in the folder.
    headings
        Confirmed renaming of headings, from the sheet's to the canonical ones.
    facts
        Facts common to the batch that the caller states; trip.toml wins over them.
    excluded
        Image to reason: pictures that are left out, each by name; beside those of resolutions.toml.
    layouts
        Folder of confirmed layouts, found again by a sheet's headings; ``layout.toml`` in the folder wins.
    keep_working
        Make the reduced copies that accepting moves into the store.
    executor
        Where to look at pictures; by default a local pool for this call.

    Returns
    -------
    CheckedBatch
        With every finding. It is acceptable when ``unresolved`` is empty.

    Raises
    ------
    InputError
        Only where there is no batch to check: no folder, no sheet, or one that cannot be read.
    """
    path = find_sheet(folder)
    decided = read_resolutions(folder)
    sheet, lost = apply_corrections(read_sheet(path, headings=headings), decided.correct)
    layout = find_layout(folder, sheet.headings, layouts)
    known = names or _names_of(folder)
    proposals = () if layout else tuple(propose_headings(sheet, known))
    sheet = apply_layout(sheet, layout) if layout else sheet
    stated = {**(facts or {}), **read_facts(folder)}
    lines = build_lines(sheet, stated, known)
    named = tuple(dict.fromkeys(name for line in lines for name in line.images))
    left_out = {**{one.image: one.why for one in decided.exclude}, **(excluded or {})}
    batch = CheckedBatch(
        folder=folder,
        sheet=path,
        sheet_sha256=sheet.sha256,
        headings=sheet.headings,
        facts=stated,
        rows=lines,
        images=(),
        stray=_strays(folder, {*named, *left_out}),
        excluded=left_out,
        names=known,
        resolutions=decided,
        layout=layout,
        proposals=proposals,
        workspace=Path(tempfile.mkdtemp(prefix="passage-cv-")) if keep_working else None,
    )
    if batch.workspace is not None:
        weakref.finalize(batch.lifetime, shutil.rmtree, batch.workspace, ignore_errors=True)
    tasks = _tasks(batch, (name for name in named if name not in left_out))
    pictures = map_items(examine_picture, tasks, label="Looking at pictures", progress=progress, executor=executor)
    seen = replace(batch, images=tuple(pictures))
    findings = [*lost, *(finding for check in CHECKS for finding in check(seen))]
    return replace(seen, findings=(*findings, *check_decisions(decided, findings)))


def _names_of(folder: Path) -> Names:
    own = folder / CHECKLIST
    return shipped_names().widened(read_species(own)) if own.is_file() else shipped_names()


def _tasks(batch: CheckedBatch, names: Iterable[str]) -> list[PictureTask]:
    """Pictures to look at; a path that leaves the batch folder is never opened."""
    inside = batch.folder.resolve()
    workspace = str(batch.workspace or "")
    return [
        PictureTask(name, str(batch.folder / name), workspace)
        for name in names
        if (batch.folder / name).resolve().is_relative_to(inside)
    ]


def _strays(folder: Path, named: set[str]) -> tuple[str, ...]:
    """Picture files below the folder that no line names, hidden ones apart."""
    found = (path for path in folder.rglob("*") if path.suffix.lower() in PICTURE_SUFFIXES and path.is_file())
    below = sorted(path.relative_to(folder).as_posix() for path in found if not path.name.startswith("."))
    return tuple(name for name in below if name not in named)
