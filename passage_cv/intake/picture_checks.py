"""Checks of picture files and of how they meet the lines of the sheet."""

from __future__ import annotations

from collections import defaultdict

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.images import NOT_THERE, Picture
from passage_cv.intake.lines import Line
from passage_cv.intake.picture_names import names_meant
from passage_cv.records import Finding

_ENDINGS = {"jpeg": "jpg"}


def check_readable(batch: CheckedBatch) -> list[Finding]:
    """Pictures that are damaged or outside the folder; those that are not there: ``picture_names``."""
    rows = _rows_by_image(batch)
    seen = {picture.name for picture in batch.images}
    outside = [name for name in rows if name not in seen and name not in batch.excluded]
    findings = [
        Finding(
            "picture outside the batch",
            "must resolve",
            f"Row {rows[name][0].row} names {name}, which is not below the batch folder",
            row=rows[name][0].row,
            image=name,
        )
        for name in outside
    ]
    return findings + [
        Finding(
            "unreadable picture",
            "must resolve",
            f"{picture.name}: {picture.problem}",
            row=rows[picture.name][0].row,
            image=picture.name,
            proposal="Copy it from the camera again, or exclude it by name with the reason",
        )
        for picture in batch.images
        if picture.problem and picture.problem != NOT_THERE
    ]


def check_lines_without_picture(batch: CheckedBatch) -> list[Finding]:
    """Lines that name no picture."""
    if "image" not in batch.headings:
        return []
    return [
        Finding(
            "row without picture",
            "must resolve",
            f"Row {line.row} names no picture",
            row=line.row,
            proposal="Name its picture, pair sheet and pictures (passage-cv pair), or let it stand as not imaged",
        )
        for line in batch.rows
        if not line.images and not line.is_counted_only
    ]


def check_stray_pictures(batch: CheckedBatch) -> list[Finding]:
    """Pictures that no line names, not even by a slip that is asked about for itself."""
    meant = {name for names in names_meant(batch).values() for name in names}
    return [
        Finding(
            "picture without row",
            "must resolve",
            f"{name} has no line in {batch.sheet.name}",
            image=name,
            proposal="Add a line for it, or exclude it by name with the reason",
        )
        for name in batch.stray
        if name not in meant
    ]


def check_named_twice(batch: CheckedBatch) -> list[Finding]:
    """One picture on two lines: under two individuals, or the same line twice."""
    findings = []
    for name, lines in _rows_by_image(batch).items():
        if len(lines) < 2 or name in batch.excluded:
            continue
        individuals = list(dict.fromkeys(line.individual for line in lines))
        rows = " and ".join(str(line.row) for line in lines)
        two = len(individuals) > 1
        findings.append(
            Finding(
                "two individuals" if two else "named twice",
                "must resolve",
                f"{name} stands on rows {rows}" + (f" under individuals {' and '.join(individuals)}" if two else ""),
                row=lines[-1].row,
                image=name,
                proposal="Two fish in view: exclude the picture" if two else "Take one of the lines out",
            )
        )
    return findings


def check_same_bytes(batch: CheckedBatch) -> list[Finding]:
    """The same picture under two file names."""
    by_hash: dict[str, list[Picture]] = defaultdict(list)
    for picture in batch.images:
        if picture.sha256:
            by_hash[picture.sha256].append(picture)
    rows = _rows_by_image(batch)
    return [
        Finding(
            "same picture twice",
            "must resolve",
            f"{' and '.join(p.name for p in same)} are the same file (SHA-256 {sha256[:12]})",
            row=rows[same[-1].name][0].row,
            image=same[-1].name,
            proposal="Exclude all but one by name",
        )
        for sha256, same in by_hash.items()
        if len(same) > 1
    ]


def check_excluded(batch: CheckedBatch) -> list[Finding]:
    """Exclusions that name nothing, or give no reason."""
    known = _rows_by_image(batch)
    findings = [
        Finding("excluded for no reason", "must resolve", f"{name} is excluded without a reason", image=name)
        for name, reason in batch.excluded.items()
        if not reason.strip()
    ]
    return findings + [
        Finding("excluded in vain", "must resolve", f"{name} is excluded but is not in the batch", image=name)
        for name in batch.excluded
        if name not in known and not (batch.folder / name).is_file()
    ]


def check_picture_files(batch: CheckedBatch) -> list[Finding]:
    """What is odd about a picture that can be read: bytes after its end, its file ending, its orientation."""
    rows = _rows_by_image(batch)
    findings = []
    for picture in batch.images:
        if picture.problem:
            continue
        findings += [
            Finding(kind, "please look", f"{picture.name}: {what}", rows[picture.name][0].row, picture.name)
            for kind, what in _oddities(picture)
        ]
    return findings


def _oddities(picture: Picture) -> list[tuple[str, str]]:
    ending = picture.name.rpartition(".")[2].lower()
    odd = []
    if picture.trailing_bytes:
        odd.append(("bytes after the picture", f"{picture.trailing_bytes} bytes follow the end of the picture"))
    if _ENDINGS.get(ending, ending) != picture.kind:
        odd.append(("file ending", f"ends in .{ending} but is {picture.kind.upper()}"))
    if picture.orientation not in {0, 1}:
        odd.append(("orientation", f"is tagged as turned (orientation {picture.orientation}); it is used as stored"))
    return odd


def _rows_by_image(batch: CheckedBatch) -> dict[str, list[Line]]:
    """Lines of each image, in sheet order."""
    lines: dict[str, list[Line]] = defaultdict(list)
    for line in batch.rows:
        for name in line.images:
            lines[name].append(line)
    return lines
