"""Lay out what arrived as a batch folder: zips unpacked, one top folder taken off, decisions beside the sheet.

The received files stay as they came. The folder that is checked is made anew each time from links to them, so that
every decision can be undone. What the check finds is kept for the pages.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import delete, insert
from sqlalchemy.orm import Session

from passage_cv.files import link_tree
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.resolutions import read_resolutions, write_resolutions
from passage_cv.intake.sheet import LAYOUT, RESOLUTIONS, SHEET_SUFFIXES, read_sheet
from passage_cv.progress import Progress, silent
from passage_cv.web.archives import unpack_or_nothing
from passage_cv.web.columns import sheet_values
from passage_cv.web.decisions import NOBODY, as_resolutions
from passage_cv.web.keying import write_keyed
from passage_cv.web.pairing import summary
from passage_cv.web.paths import safe_name
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Batch, Decision, Found, FoundImage, Keying, SheetLine


def lay_out(
    settings: WebSettings,
    root: Path,
    name: str,
    decisions: Sequence[Decision],
    *,
    keyings: Sequence[Keying] = (),
    initials: Mapping[str, str] = NOBODY,
    progress: Progress = silent,
) -> Path:
    """Make the folder that is checked and return it.

    Parameters
    ----------
    root
        The batch's own folder, with ``received`` in it and perhaps a confirmed layout.
    name
        Becomes the folder's name, and so part of the batch's name in the data set.
    decisions
        Those that stand; they become the folder's ``resolutions.toml``.
    keyings
        Rows keyed from photographs of the paper; they become the sheet.
    initials
        On field sheets, of the people who decided, by name.

    Raises
    ------
    InputError
        If a zip cannot be unpacked, or a ``resolutions.toml`` among the files cannot be read.
    """
    folder = root / "work" / _as_folder(name)
    shutil.rmtree(folder.parent, ignore_errors=True)
    folder.mkdir(parents=True)
    link_tree(root / "received", folder)
    for archive in sorted(folder.rglob("*.zip")):
        unpacked = unpack_or_nothing(
            archive,
            root / "unpacked",
            most_bytes=settings.batch_bytes,
            most_files=settings.batch_files,
            progress=progress,
        )
        archive.unlink()
        if unpacked:
            link_tree(root / "unpacked", folder)
        shutil.rmtree(root / "unpacked", ignore_errors=True)
    write_keyed(folder, keyings)
    _take_off_top(folder)
    if (root / LAYOUT).is_file():
        (folder / LAYOUT).unlink(missing_ok=True)
        shutil.copyfile(root / LAYOUT, folder / LAYOUT)
    if decisions:
        decided = as_resolutions(decisions, read_resolutions(folder), initials)
        (folder / RESOLUTIONS).unlink(missing_ok=True)
        write_resolutions(folder, decided)
    return folder


def keep_check(db: Session, batch: Batch, checked: CheckedBatch, root: Path) -> None:
    """Write down what a check found, for the pages; what the check before it found goes."""
    for table in (Found, FoundImage, SheetLine):
        db.execute(delete(table).where(table.batch_id == batch.id))
    values_found = finding_values(checked)
    found = [
        {
            "batch_id": batch.id,
            "number": n,
            "kind": values["kind"],
            "severity": values["severity"],
            "has_change": bool(values.get("change")),
            "line": values["line"] or 0,
            "stands": bool(values["stands"]),
            "values": values,
        }
        for n, values in enumerate(values_found)
    ]
    images = [
        {"batch_id": batch.id, "number": n, "image": image}
        for n, values in enumerate(values_found)
        for image in dict.fromkeys(values["images"])
    ]
    lines = [
        {"batch_id": batch.id, "row": row.number, "cells": dict(row.cells)} for row in read_sheet(checked.sheet).rows
    ]
    for table, rows in ((Found, found), (FoundImage, images), (SheetLine, lines)):
        if rows:
            db.execute(insert(table), rows)
    batch.summary, batch.sheet, batch.state = (
        counts_of(checked),
        {**sheet_values(checked), "pairing": summary(checked, root)},
        "checked",
    )


def counts_of(batch: CheckedBatch) -> dict[str, int]:
    """The numbers that stand on top of a batch's page."""
    severities = Counter(one.severity for one in batch.findings if batch.resolutions.stands(one) is None)
    return {
        "lines": len(batch.rows),
        "pictures": len(batch.images),
        "individuals": len({line.individual for line in batch.kept_lines() if line.individual}),
        "left out": len(batch.excluded),
        "must resolve": len(batch.unresolved),
        "please look": severities["please look"],
        "note": severities["note"],
    }


def finding_values(batch: CheckedBatch) -> list[dict[str, Any]]:
    """Each finding with the row and pictures it is about: first what must be resolved, then down the sheet.

    ``line`` is the row to look at, where the finding itself names a picture only; ``stands`` says who let it stand.
    """
    lines = {line.row: line for line in batch.rows}
    of_image = batch.first_lines()
    found = []
    for finding in batch.findings:
        line = lines.get(finding.row or 0) or of_image.get(finding.image or "")
        images = [finding.image] if finding.image else list(line.images) if line else []
        stands = batch.resolutions.stands(finding)
        row = finding.row or (line.row if line else None)
        found.append(
            {
                **finding.as_dict(),
                "line": row,
                "images": images,
                "stands": f"{stands.why} ({stands.who})" if stands else "",
            }
        )
    order = {"must resolve": 0, "please look": 1, "note": 2}
    return sorted(found, key=lambda one: (bool(one["stands"]), order[one["severity"]], one["line"] or 0))


def _as_folder(name: str) -> str:
    plain = "".join(c if c.isalnum() or c in "-_" else "-" for c in name).strip("-")
    return safe_name(plain[:60] or "batch")


def _take_off_top(folder: Path) -> None:
    """A dropped folder arrives with its own name on top of everything; the sheet must lie on top."""
    while not any(path.suffix.lower() in SHEET_SUFFIXES for path in folder.iterdir()):
        inside = [path for path in folder.iterdir() if path.is_dir()]
        if len(inside) != 1 or len(list(folder.iterdir())) != 1:
            return
        aside = folder.parent / "top"
        inside[0].rename(aside)
        folder.rmdir()
        aside.rename(folder)
