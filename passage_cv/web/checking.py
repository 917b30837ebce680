"""Lay out what arrived as a batch folder: zips unpacked, one top folder taken off, decisions applied.

The received files stay as they came. The folder that is checked is made anew each time from links to them, so that
every correction can be undone, and a corrected sheet carries the received one beside it.
"""

from __future__ import annotations

import csv
import io
import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.sheet import SHEET_SUFFIXES, Sheet, find_sheet, read_sheet
from passage_cv.progress import Progress, silent
from passage_cv.web.archives import unpack_or_nothing
from passage_cv.web.paths import safe_name
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Decision

RECEIVED_SHEET = "as-received"
"""Suffix of the received sheet beside a corrected one."""


def lay_out(
    settings: WebSettings, root: Path, name: str, decisions: Sequence[Decision], *, progress: Progress = silent
) -> Path:
    """Make the folder that is checked and return it.

    Parameters
    ----------
    root
        The batch's own folder, with ``received`` in it.
    name
        Becomes the folder's name, and so part of the batch's name in the data set.
    decisions
        Those that stand; corrections of cells are applied to the sheet.

    Raises
    ------
    InputError
        If a zip cannot be unpacked, or a correction names a row or column that the sheet does not have.
    """
    folder = root / "work" / _as_folder(name)
    shutil.rmtree(folder.parent, ignore_errors=True)
    folder.mkdir(parents=True)
    _link_files(root / "received", folder)
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
            _link_files(root / "unpacked", folder)
        shutil.rmtree(root / "unpacked", ignore_errors=True)
    _take_off_top(folder)
    corrections = [one for one in decisions if one.kind == "correct"]
    if corrections:
        _correct(folder, corrections)
    return folder


def exclusions(decisions: Iterable[Decision]) -> dict[str, str]:
    """Pictures left out and why, the last word on each."""
    return {one.image: one.value for one in decisions if one.kind == "exclude"}


def check_values(batch: CheckedBatch) -> dict[str, Any]:
    """What a page shows of a check: counts, and each finding with its row and pictures."""
    lines = {line.row: line for line in batch.rows}
    of_image = {image: line for line in batch.rows for image in line.images}
    findings = []
    for finding in batch.findings:
        line = lines.get(finding.row or 0) or of_image.get(finding.image or "")
        images = [finding.image] if finding.image else list(line.images) if line else []
        cells = dict(line.cells) if line else {}
        findings.append(
            {**finding.as_dict(), "row": finding.row or (line and line.row), "images": images, "cells": cells}
        )
    order = {"must resolve": 0, "please look": 1, "note": 2}
    findings.sort(key=lambda one: (order[str(one["severity"])], one["row"] or 0))
    return {
        "headings": list(batch.headings),
        "sheet": batch.sheet.name,
        "counts": {
            "lines": len(batch.rows),
            "pictures": len(batch.images),
            "individuals": len({line.individual for line in batch.kept_lines() if line.individual}),
            "left out": len(batch.excluded),
            "must resolve": len(batch.unresolved),
            "please look": sum(one.severity == "please look" for one in batch.findings),
            "note": sum(one.severity == "note" for one in batch.findings),
        },
        "findings": findings,
    }


def _as_folder(name: str) -> str:
    plain = "".join(c if c.isalnum() or c in "-_" else "-" for c in name).strip("-")
    return safe_name(plain[:60] or "batch")


def _link_files(source: Path, folder: Path) -> None:
    """Every plain file of a folder under the same name in another, without copying bytes where that is possible."""
    for path in sorted(source.rglob("*")):
        if path.is_symlink() or not path.is_file():
            continue
        target = folder / path.relative_to(source)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.unlink(missing_ok=True)
        try:
            os.link(path, target)
        except OSError:
            shutil.copyfile(path, target)


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


def _correct(folder: Path, corrections: Sequence[Decision]) -> None:
    path = find_sheet(folder)
    sheet = read_sheet(path)
    rows = _corrected_rows(sheet, corrections)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.rename(folder / f"{path.name}.{RECEIVED_SHEET}")
    write_text(folder / "sheet.csv", out.getvalue())


def _corrected_rows(sheet: Sheet, corrections: Sequence[Decision]) -> list[dict[str, str]]:
    """The sheet's rows at their places, blank rows kept, so that row numbers stay as the crew's sheet shows them."""
    by_row: dict[int, Mapping[str, str]] = {row.number: row.cells for row in sheet.rows}
    last = max(by_row, default=1)
    headings = [heading for heading in sheet.headings if heading]
    headings += [one.column for one in corrections if one.column not in headings]
    headings = list(dict.fromkeys(headings))
    rows = [{heading: by_row.get(n, {}).get(heading, "") for heading in headings} for n in range(2, last + 1)]
    for one in corrections:
        if one.row not in by_row:
            raise InputError(f"Sheet has no row {one.row}", where=sheet.path.name, do="Undo that correction.")
        rows[one.row - 2][one.column] = one.value
    return rows
