"""Checks of what stands before a fixed camera: nothing, two fish, a fish that the frame cuts, a rider on a fish.

Pictures are held against those that the crew marked as ``empty`` for the same set-up and light; without any, nothing
can be said and nothing is. All of it is for looking at: turbid water hides fish, glare looks like one, and what two
fish and riders look like was learnt from drawn ones.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.images import Picture
from passage_cv.intake.lines import Line
from passage_cv.intake.sketches import Backdrop, backdrop_of
from passage_cv.intake.trees import read_trees
from passage_cv.intake.views import View
from passage_cv.records import Finding

MOST_EMPTY = 15
"""Empty views of one camera and light that are compared; more say nothing new [ours]."""
GATE_VIEW, EMPTY = "gate view", "empty"
REMARKS = ("occurrenceRemarks", "remarks", "notes", "comments", "Remarks", "Notes", "Comments")

_RIDERS = re.compile(r"\b(lamprey|leech|leeches|lice|louse|copepod|attached|parasite|parasites)\b", re.IGNORECASE)

Place = tuple[str, str]
"""Set-up and light: together with the camera, what must be the same for two pictures to show the same view."""


def check_views(batch: CheckedBatch) -> list[Finding]:
    """Pictures of one fish that show none, two, part of one, or one with a rider."""
    lines = batch.first_lines()
    return [
        Finding(kind, "please look", f"{picture.name}: {what}", lines[picture.name].row, picture.name, proposal)
        for picture in batch.images
        if picture.view and lines[picture.name].purpose == GATE_VIEW
        for kind, what, proposal in view_faults(picture.view)
    ]


def check_riders(batch: CheckedBatch) -> list[Finding]:
    """Fish that the crew says carry another animal: the picture shows two, and the gate will see two."""
    findings = []
    for line in batch.kept_lines():
        said = next((line.cells[name] for name in REMARKS if _RIDERS.search(line.cells.get(name, ""))), "")
        if said and line.purpose == GATE_VIEW and line.images:
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


def view_faults(view: View) -> Iterator[tuple[str, str, str | None]]:
    """Kind, words and proposal of what is wrong with a view."""
    if not view.n_bodies:
        yield "empty view", "looks like the empty view of its set-up", "Mark it as empty, or exclude it by name"
        return
    if view.is_cut:
        yield "cut by the frame", "what stands in the view reaches over the frame", None
    if view.two_fish > read_trees("two_fish").cutoff:
        yield (
            "two fish in view",
            "its outline is that of two fish rather than of one",
            "Look at it; exclude it by name if there are two fish",
        )
    elif view.rider > read_trees("riders").cutoff:
        yield (
            "attached animal",
            "a dark bar on the flank looks like an animal that rides on the fish; it may be a marking",
            "Look at it; give it the purpose condition if another animal shows",
        )


def empty_samples(batch: CheckedBatch) -> frozenset[str]:
    """Pictures marked as empty of which backdrops are made, spread evenly over each place where a fish is shown."""
    lines = batch.first_lines()
    asked = {place_of(line) for line in lines.values() if line.purpose == GATE_VIEW}
    found: dict[tuple[Place, str], list[str]] = defaultdict(list)
    for name, line in lines.items():
        if line.purpose == EMPTY and place_of(line) in asked:
            found[place_of(line), line.text["camera"]].append(name)
    return frozenset(
        names[i * len(names) // MOST_EMPTY] if len(names) > MOST_EMPTY else names[i]
        for names in found.values()
        for i in range(min(len(names), MOST_EMPTY))
    )


def backdrops_of(lines: Mapping[str, Line], pictures: Iterable[Picture]) -> dict[Place, dict[str, Backdrop]]:
    """For each place, what each camera sees without fish, from the sketches of empty pictures."""
    found: dict[Place, dict[str, list[bytes]]] = defaultdict(lambda: defaultdict(list))
    for picture in pictures:
        if picture.looks.sketch:
            line = lines[picture.name]
            found[place_of(line)][line.text["camera"] or picture.camera].append(picture.looks.sketch)
    return {
        place: {camera: backdrop_of(sketches) for camera, sketches in cameras.items()}
        for place, cameras in found.items()
    }


def place_of(line: Line) -> Place:
    """Set-up and light of a line."""
    return line.text["setup_id"], line.text["light"]
