"""Checks of what stands before a fixed camera: nothing, two fish, a fish that the frame cuts, a rider on a fish.

Pictures are held against those that the crew marked as ``empty`` for the same set-up and light; without any, nothing
can be said and nothing is. All of it is for looking at: turbid water hides fish, and glare looks like one.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from statistics import median

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.images import Picture
from passage_cv.intake.lines import Line
from passage_cv.intake.sketches import Body, find_bodies, noise_of
from passage_cv.records import Finding

SECOND = 0.5
"""Area of a second body, in parts of the first, from which there are two fish [ours]."""
NEARLY_NOTHING = 0.15
"""Area in parts of the usual, below which a view is taken for empty [ours]."""
AT_FRAME_PX = 3
"""Pixels of a sketch along the frame from which a fish is cut by it [ours]."""
REMARKS = ("occurrenceRemarks", "remarks", "notes", "comments", "Remarks", "Notes", "Comments")

_RIDERS = re.compile(r"\b(lamprey|leech|leeches|lice|louse|copepod|attached|parasite|parasites)\b", re.IGNORECASE)

Where = tuple[str, str]


def check_views(batch: CheckedBatch) -> list[Finding]:
    """Pictures of one fish that show none, two, or part of one."""
    lines = batch.first_lines()
    empty = _empty_views(batch, lines)
    findings: list[Finding] = []
    for where, pictures in _by_place(batch, lines).items():
        if not empty.get(where):
            continue
        noise = noise_of(empty[where])
        bodies = {picture.name: find_bodies(picture.looks.sketch, empty[where], noise) for picture in pictures}
        usual = median([found[0].area if found else 0 for found in bodies.values()])
        for picture in pictures:
            row = lines[picture.name].row
            findings += [
                Finding(kind, "please look", f"{picture.name}: {what}", row, picture.name, proposal)
                for kind, what, proposal in _view_faults(bodies[picture.name], usual)
            ]
    return findings


def check_riders(batch: CheckedBatch) -> list[Finding]:
    """Fish that the crew says carry another animal: the picture shows two, and the gate will see two."""
    findings = []
    for line in batch.kept_lines():
        said = next((line.cells[name] for name in REMARKS if _RIDERS.search(line.cells.get(name, ""))), "")
        if said and line.purpose == "gate view" and line.images:
            findings.append(
                Finding(
                    "attached animal",
                    "please look",
                    f"Row {line.row}: the remark is {said!r}, and its pictures are gate views",
                    row=line.row,
                    image=line.images[0],
                    proposal="Leave it where the animal hardly shows; else give the pictures the purpose condition",
                )
            )
    return findings


def _view_faults(bodies: Sequence[Body], usual: float) -> Iterator[tuple[str, str, str | None]]:
    if not bodies or bodies[0].area < NEARLY_NOTHING * usual:
        yield "empty view", "looks like the empty view of its set-up", "Mark it as empty, or exclude it by name"
        return
    whole = bodies[0]
    if whole.at_frame >= AT_FRAME_PX:
        yield "cut by the frame", "what stands in the view reaches over the frame", None
    if len(bodies) > 1 and bodies[1].area >= SECOND * whole.area:
        yield (
            "two fish in view",
            "two bodies stand in the view",
            "Look at it; exclude it by name if there are two fish",
        )


def _empty_views(batch: CheckedBatch, lines: Mapping[str, Line]) -> dict[Where, list[bytes]]:
    found: dict[Where, list[bytes]] = defaultdict(list)
    for picture in batch.images:
        line = lines[picture.name]
        if line.purpose == "empty" and picture.looks.sketch:
            found[_where(line, picture)].append(picture.looks.sketch)
    return found


def _by_place(batch: CheckedBatch, lines: Mapping[str, Line]) -> dict[Where, list[Picture]]:
    found: dict[Where, list[Picture]] = defaultdict(list)
    for picture in batch.images:
        line = lines[picture.name]
        if line.purpose == "gate view" and picture.looks.sketch:
            found[_where(line, picture)].append(picture)
    return found


def _where(line: Line, picture: Picture) -> Where:
    """What must be the same for two pictures to show the same view: set-up and camera, and the light."""
    return f"{line.text['setup_id']}/{line.text['camera'] or picture.camera}", line.text["light"]
