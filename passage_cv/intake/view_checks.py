"""Checks of what stands before a fixed camera: nothing, two fish, a fish that the frame cuts, a rider on a fish.

Pictures are held against those that the crew marked as ``empty`` for the same set-up and light; without any, nothing
can be said and nothing is. All of it is for looking at: turbid water hides fish, and glare looks like one.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.images import Picture
from passage_cv.intake.lines import Line
from passage_cv.intake.sketches import Backdrop, Body, backdrop_of, find_bodies
from passage_cv.records import Finding

FAINT = 0.6
"""Share of the usual strictness at which a view must still show nothing to be called empty [ours]."""
STRIP = 3
"""Times its own thickness along the frame from which a body is a moved edge of the flume, no fish [ours]."""
SECOND = 0.15
"""Area of a second body, in parts of the first, from which there may be two fish [ours]."""
FISH_AREA, FISH_SLENDER = 60, 1.5
"""Pixels of a sketch and length over width from which a second body may be a fish [ours]."""
CUT_SHARE, CUT_PX = 0.55, 4
"""Pixels along the frame, in parts of the body's thickness and at least, from which the frame cuts it [ours]."""
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
        backdrop = backdrop_of(empty[where])
        for picture in pictures:
            row = lines[picture.name].row
            findings += [
                Finding(kind, "please look", f"{picture.name}: {what}", row, picture.name, proposal)
                for kind, what, proposal in view_faults(bodies_in(picture.looks.sketch, backdrop))
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


def bodies_in(sketch: bytes, backdrop: Backdrop) -> list[Body]:
    """Bodies that stand out; where there is none, those that stand out faintly."""
    return find_bodies(sketch, backdrop) or find_bodies(sketch, backdrop, strictness=FAINT)[:1]


def view_faults(bodies: Sequence[Body]) -> Iterator[tuple[str, str, str | None]]:
    """Kind, words and proposal of what is wrong with a view of these bodies, largest first."""
    if not bodies:
        yield "empty view", "looks like the empty view of its set-up", "Mark it as empty, or exclude it by name"
        return
    if any(_is_cut(body) for body in bodies[:2]):
        yield "cut by the frame", "what stands in the view reaches over the frame", None
    if any(_is_second(body, bodies[0]) for body in bodies[1:]):
        yield (
            "two fish in view",
            "two bodies stand in the view",
            "Look at it; exclude it by name if there are two fish",
        )


def _is_cut(body: Body) -> bool:
    return max(CUT_PX, CUT_SHARE * body.thick) <= body.at_frame < STRIP * body.thick


def _is_second(body: Body, first: Body) -> bool:
    large = body.area >= max(FISH_AREA, SECOND * first.area) and body.slender >= FISH_SLENDER
    return large and body.at_frame < STRIP * body.thick


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
