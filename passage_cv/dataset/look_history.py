"""How sharp each camera's pictures were, batch by batch, and what a new batch looks like beside that.

A batch keeps the median sharpness of each of its cameras beside its sheet (``looks.json``). Water on a lens or a
focus ring that was touched shows as a step between batches, which no comparison inside one batch can see.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version
from passage_cv.files import canonical_json
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.images import Picture
from passage_cv.intake.look_checks import BLURRED, LEAST_PICTURES, by_camera
from passage_cv.records import Finding

LOOKS = "looks.json"
"""Numbers of a batch's pictures, beside its sheet in the store."""
MOST_BATCHES = 30
"""Batches that are looked back at [ours: a season]."""
STEP = 0.5
"""Part of a camera's usual sharpness below which a whole batch is shown [ours]."""


@dataclass(frozen=True, slots=True)
class Usual:
    """Median sharpness of one camera of a set-up, and how many pictures and batches it rests on."""

    sharpness: float
    n_pictures: int
    n_batches: int


def encode_looks(batch: CheckedBatch) -> bytes:
    """What is kept of a batch: set-up, camera, pictures and median sharpness."""
    rows = [
        [setup, camera, len(pictures), median(picture.looks.sharpness for picture in pictures)]
        for (setup, camera), pictures in by_camera(batch).items()
    ]
    return canonical_json({"sharpness": rows})


def usual_sharpness(version: Version | None) -> dict[tuple[str, str], Usual]:
    """What each camera's pictures were like in the newest batches; a batch from before this was kept says nothing."""
    found: dict[tuple[str, str], list[tuple[int, float]]] = defaultdict(list)
    for entry in version.entries[-MOST_BATCHES:] if version else ():
        for setup, camera, count, sharpness in _looks_of(version.store, entry.id) if version else ():
            found[setup, camera].append((count, sharpness))
    return {
        where: Usual(median(value for _, value in rows), sum(count for count, _ in rows), len(rows))
        for where, rows in found.items()
    }


def _looks_of(store: Store, batch: str) -> list[tuple[str, str, int, float]]:
    """Set-up, camera, pictures and median sharpness as one batch kept them; nothing where it kept none."""
    try:
        kept = json.loads(store.storage.read(f"batches/{batch}/{LOOKS}"))
    except FileNotFoundError:
        return []
    return [(setup, camera, count, sharpness) for setup, camera, count, sharpness in kept["sharpness"]]


def findings_of_sharpness(batch: CheckedBatch, version: Version | None) -> Iterator[Finding]:
    """Pictures, and whole batches, far less sharp than their own camera's history."""
    history = usual_sharpness(version)
    rows = batch.first_lines()
    for where, pictures in by_camera(batch).items():
        usual = history.get(where)
        if usual is None or usual.n_pictures < LEAST_PICTURES or not usual.sharpness:
            continue
        yield from _step(where, pictures, usual)
        for picture in pictures:
            part = picture.looks.sharpness / usual.sharpness
            if part < BLURRED:
                yield Finding(
                    "sharpness",
                    "please look",
                    f"{picture.name} has {100 * part:.0f} % of the sharpness that {_name(where)} had in"
                    f" {usual.n_batches} earlier batches",
                    rows[picture.name].row,
                    picture.name,
                )


def _step(where: tuple[str, str], pictures: Sequence[Picture], usual: Usual) -> Iterator[Finding]:
    part = median(picture.looks.sharpness for picture in pictures) / usual.sharpness
    if len(pictures) >= LEAST_PICTURES and part < STEP:
        yield Finding(
            "camera less sharp than before",
            "please look",
            f"The {len(pictures)} pictures of {_name(where)} have {100 * part:.0f} % of the sharpness of"
            f" {usual.n_pictures} pictures in {usual.n_batches} earlier batches",
            image=pictures[0].name,
            proposal="Clean the lens or the window and look at the focus; turbid water does this too",
        )


def _name(where: tuple[str, str]) -> str:
    setup, camera = where
    return camera or setup
