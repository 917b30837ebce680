"""Checks of the boxes that a COCO file draws around fish."""

from __future__ import annotations

from collections.abc import Iterator

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.coco import Box
from passage_cv.intake.images import Picture
from passage_cv.intake.lines import Line
from passage_cv.records import Finding

AT_THE_FRAME_PX = 1.0
"""How near the frame a box must come to be cut by it [ours: boxes are drawn to about a pixel]."""


def check_boxes(batch: CheckedBatch) -> list[Finding]:
    """Two fish in view, a fish cut by the frame, a box that is not in the picture, another species than the sheet."""
    lines = batch.first_lines()
    findings = []
    for picture in batch.images:
        boxes = batch.boxes.get(picture.name, ())
        if picture.problem or not boxes:
            continue
        line = lines[picture.name]
        findings += [
            Finding(kind, "please look", f"{picture.name}: {what}", line.row, picture.name, proposal)
            for kind, what, proposal in _faults(batch, picture, line, boxes)
        ]
    return findings


def _faults(
    batch: CheckedBatch, picture: Picture, line: Line, boxes: tuple[Box, ...]
) -> Iterator[tuple[str, str, str | None]]:
    if len(boxes) > 1 and line.shows_fish:
        yield "two fish in view", f"{len(boxes)} boxes are drawn", "Exclude it, or crop one fish outside this program"
    for box in boxes:
        if not _is_inside(box, picture):
            size = f"{picture.width} x {picture.height}"
            yield "box outside the picture", f"box {box.x:g} {box.y:g} {box.width:g} {box.height:g} of {size}", None
        elif _touches_frame(box, picture):
            yield (
                "cut by the frame",
                "its box ends at the frame",
                "A fish that is not whole shows less than the gate sees",
            )
        species = batch.names.find(box.name)
        if species and line.species and species.scientific_name != line.species.scientific_name:
            yield "box and sheet differ", f"the box says {box.name}, the sheet {line.species.scientific_name}", None


def _is_inside(box: Box, picture: Picture) -> bool:
    fits = box.x + box.width <= picture.width + 1 and box.y + box.height <= picture.height + 1
    return fits and min(box.x, box.y) >= -1 and min(box.width, box.height) > 0


def _touches_frame(box: Box, picture: Picture) -> bool:
    right = picture.width - box.x - box.width
    lower = picture.height - box.y - box.height
    return min(box.x, box.y, right, lower) <= AT_THE_FRAME_PX
