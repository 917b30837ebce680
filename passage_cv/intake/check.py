"""Read a batch folder, look at each picture once, run every check.

Comes in: a folder. Goes out: a :class:`CheckedBatch` with all findings at once. Nothing is kept or changed;
accepting is the data set's business.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import weakref
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.checks import CHECKS
from passage_cv.intake.coco import Box, boxes_by_image, find_coco, read_coco
from passage_cv.intake.headings import propose_headings
from passage_cv.intake.images import PICTURE_SUFFIXES, Picture, PictureTask, examine_picture
from passage_cv.intake.layout import apply_layout, find_layout
from passage_cv.intake.lines import build_lines
from passage_cv.intake.names import Names, read_species, shipped_names
from passage_cv.intake.pairing_file import Pairing, apply_pairing, check_pairing, read_pairing
from passage_cv.intake.resolutions import apply_corrections, check_decisions, read_resolutions
from passage_cv.intake.scale_checks import marker_side_mm
from passage_cv.intake.sheet import CHECKLIST, Sheet, find_sheet, read_facts, read_sheet
from passage_cv.intake.target_checks import PURPOSE as TARGET
from passage_cv.intake.times import parse_instant
from passage_cv.intake.times_of_day import join_times
from passage_cv.intake.view_checks import GATE_VIEW, backdrops_of, empty_samples, place_of
from passage_cv.parallel import map_items
from passage_cv.progress import Progress, silent
from passage_cv.records import Finding


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
    batch = read_batch(folder, names=names, headings=headings, facts=facts, excluded=excluded, layouts=layouts)
    if keep_working:
        workspace = Path(tempfile.mkdtemp(prefix="passage-cv-"))
        batch = replace(batch, workspace=workspace)
        weakref.finalize(batch.lifetime, shutil.rmtree, workspace, ignore_errors=True)
    pictures = look_at_pictures(batch, progress=progress, executor=executor)
    return find_faults(replace(batch, images=tuple(on_site_time(pictures, batch.pairing))))


def look_at_pictures(
    batch: CheckedBatch, *, executor: Executor | None = None, progress: Progress = silent
) -> Iterator[Picture]:
    """Look at every picture once, in sheet order: at some empty views first, which the others are held against.

    Sketches end here; what stays of a picture is numbers.
    """
    empty = empty_samples(batch)
    tasks = picture_tasks(batch)
    first = [replace(task, wants_sketch=True) for task in tasks if task.name in empty]
    seen = map_items(examine_picture, first, label="Looking at empty views", progress=progress, executor=executor)
    lines = batch.first_lines()
    backdrops = backdrops_of(lines, seen)
    rest = [
        replace(task, backdrops=backdrops.get(place_of(line), {}), camera=line.text["camera"])
        if (line := lines[task.name]).purpose == GATE_VIEW
        else task
        for task in tasks
        if task.name not in empty
    ]
    others = iter(map_items(examine_picture, rest, label="Looking at pictures", progress=progress, executor=executor))
    without = {one.name: replace(one, looks=replace(one.looks, sketch=b"")) for one in seen}
    return (without.get(task.name) or next(others) for task in tasks)


def read_batch(
    folder: Path,
    *,
    names: Names | None = None,
    headings: Mapping[str, str] | None = None,
    facts: Mapping[str, str] | None = None,
    excluded: Mapping[str, str] | None = None,
    layouts: Path | None = None,
    paired: bool = True,
) -> CheckedBatch:
    """Read a batch folder's sheet and what stands beside it; no picture is opened and nothing is judged.

    Parameters and errors are those of :func:`check_batch`; without ``paired`` a pairing beside the sheet is passed
    over.
    """
    path = find_sheet(folder)
    decided = read_resolutions(folder)
    sheet, lost = apply_corrections(read_sheet(path, headings=headings), decided.correct)
    layout = find_layout(folder, sheet.headings, layouts)
    known = names or _names_of(folder)
    proposals = () if layout else tuple(propose_headings(sheet, known))
    sheet = apply_layout(sheet, layout) if layout else sheet
    pairing = read_pairing(folder) if paired else None
    sheet = apply_pairing(sheet, pairing) if pairing else sheet
    stated = {**(facts or {}), **read_facts(folder)}
    sheet = join_times(sheet, stated, layout)
    lines = build_lines(sheet, stated, known)
    aside = pairing.left_out if pairing else {}
    left_out = {**aside, **{one.image: one.why for one in decided.exclude}, **(excluded or {})}
    named = {name for line in lines for name in line.images}
    return CheckedBatch(
        folder=folder,
        sheet=path,
        sheet_sha256=sheet.sha256,
        headings=sheet.headings,
        facts=stated,
        rows=lines,
        images=(),
        stray=_strays(folder, {*named, *left_out}),
        excluded=left_out,
        findings=(*_supposed(sheet), *lost, *(check_pairing(pairing, lines) if pairing else ())),
        names=known,
        resolutions=decided,
        layout=layout,
        proposals=proposals,
        pairing=pairing,
        boxes=_boxes(folder),
    )


def on_site_time(pictures: Iterable[Picture], pairing: Pairing | None) -> Iterator[Picture]:
    """Pictures with the time that the site's clock showed: a camera's offset is added where somebody stated it."""
    clocks = pairing.clocks if pairing else {}
    for picture in pictures:
        moment, seconds = parse_instant(picture.taken_at), clocks.get(picture.camera, 0.0)
        known = moment is not None and seconds
        yield (
            replace(picture, taken_at=(moment + timedelta(seconds=seconds)).isoformat())
            if known and moment
            else picture
        )


def find_faults(batch: CheckedBatch) -> CheckedBatch:
    """The batch with the findings of every check, after those it has already."""
    findings = [*batch.findings, *(finding for check in CHECKS for finding in check(batch))]
    return replace(batch, findings=(*findings, *check_decisions(batch.resolutions, findings)))


def picture_tasks(batch: CheckedBatch) -> list[PictureTask]:
    """Pictures to look at, in sheet order; a path that leaves the batch folder is never opened."""
    lines = batch.first_lines()
    paths = {name: os.path.join(batch.folder, name) for name in lines if name not in batch.excluded}  # noqa: PTH118
    inside = os.path.realpath(batch.folder)
    return [
        PictureTask(
            name,
            path,
            str(batch.workspace or ""),
            has_marker=marker_side_mm(batch, lines[name]) is not None,
            is_target=lines[name].purpose == TARGET,
        )
        for name, path in paths.items()
        if _is_inside(path, inside)
    ]


def _is_inside(path: str, inside: str) -> bool:
    """Whether a path of the sheet stays below the batch folder; one with a null byte is no path at all.

    Plain strings, because pathlib keeps every part of a path for as long as the program runs.
    """
    return "\0" not in path and os.path.realpath(path).startswith(f"{inside.rstrip('/')}/")


def _supposed(sheet: Sheet) -> list[Finding]:
    """What was taken for granted to read the sheet; letters may be wrong, so somebody looks, as at its doubts."""
    name = sheet.path.name
    return [
        *(
            Finding("sheet as read", "please look" if "letters" in text else "note", f"{name}: {text}")
            for text in sheet.supposed
        ),
        *(Finding("sheet to look at", "please look", f"{name}: {text}") for text in sheet.doubts),
    ]


def _boxes(folder: Path) -> Mapping[str, tuple[Box, ...]]:
    found = find_coco(folder)
    return boxes_by_image(read_coco(found)) if found else {}


def _names_of(folder: Path) -> Names:
    own = folder / CHECKLIST
    return shipped_names().widened(read_species(own)) if own.is_file() else shipped_names()


def _strays(folder: Path, named: set[str]) -> tuple[str, ...]:
    """Picture files below the folder that no line names, hidden ones apart."""
    found = (f"{at}/{file}" for at, _, files in os.walk(folder) for file in files if not file.startswith("."))
    pictures = (path for path in found if os.path.splitext(path)[1].lower() in PICTURE_SUFFIXES)  # noqa: PTH122
    names = (os.path.relpath(path, folder) for path in pictures)
    return tuple(sorted(name for name in names if name not in named and (folder / name).is_file()))
