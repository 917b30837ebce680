"""Lengths on the sheet against those that pictures with a scale marker show."""

from __future__ import annotations

from collections import defaultdict

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.columns import MARKER_SIDE
from passage_cv.intake.lines import Line, as_number
from passage_cv.records import Finding

APART = 0.15
"""Difference of picture and sheet, in parts of the sheet's length, above which somebody looks [ours: a bent fish and
a camera that is not square to the board make up to a tenth]."""


def marker_side_mm(batch: CheckedBatch, line: Line) -> float | None:
    """Side of the scale marker that a line's pictures carry, where the batch says one is there."""
    value = as_number(line.cells.get(MARKER_SIDE, "") or batch.facts.get(MARKER_SIDE, ""))
    return value if value and value > 0 else None


def check_scale(batch: CheckedBatch) -> list[Finding]:
    """Measured lengths that differ from the sheet, and what the scale is."""
    lines = batch.first_lines()
    findings: list[Finding] = []
    scales: dict[str, list[float]] = defaultdict(list)
    for picture in batch.images:
        line = lines[picture.name]
        side = marker_side_mm(batch, line)
        if side is None or not picture.scale.marker_px:
            continue
        scales[line.text["setup_id"]].append(side / picture.scale.marker_px)
        measured, written = picture.scale.object_mm(side), line.numbers["length_mm"]
        if measured and written and abs(measured - written) > APART * written:
            findings.append(
                Finding(
                    "measured length",
                    "please look",
                    f"{picture.name}: about {measured:.0f} mm by its scale marker, the sheet says {written:g} mm"
                    f" {line.text['length_type']}".rstrip(),
                    line.row,
                    picture.name,
                    "Look at the picture and at the sheet; another fish's picture may stand here",
                )
            )
    return findings + [_scale_note(setup, found) for setup, found in scales.items()]


def _scale_note(setup: str, found: list[float]) -> Finding:
    low, high = min(found), max(found)
    text = f"{low:.3f}" if high - low < 0.0005 else f"{low:.3f} to {high:.3f}"
    where = f" of {setup}" if setup else ""
    return Finding("scale", "note", f"{len(found)} pictures{where} carry the scale marker: {text} mm per pixel")
