"""Checks of what pictures look like: dark, glaring, blurred, or the same moment under two fish.

A picture is held against its own camera's others in the batch, never against an absolute idea of sharpness:
turbid water and infrared are not faults. These findings are for looking at; none of them keeps a batch out.
"""

from __future__ import annotations

from collections import defaultdict
from statistics import median

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.images import Picture
from passage_cv.intake.lines import Line
from passage_cv.intake.looks import FINGERPRINT_BITS, alike_pairs
from passage_cv.intake.times import are_two_moments
from passage_cv.records import Finding

ALIKE_BITS = 26
"""Bits of 256 up to which two pictures are taken for one moment [ours: different fish were at least 40 apart
among open reef pictures; drawn fish in turbid water come closer, so known times have their say too]."""
MOSTLY_BLACK = 0.95
MOSTLY_WHITE = 0.5
BLURRED = 0.2
"""Part of the camera's median sharpness below which a picture is shown [ours]."""
LEAST_PICTURES = 10


def check_exposure(batch: CheckedBatch) -> list[Finding]:
    """Pictures that are black or glaring: a failed lamp, a lens cap, the sun."""
    rows = batch.first_lines()
    findings = []
    for picture in _readable(batch):
        looks = picture.looks
        for share, limit, what in (
            (looks.dark_share, MOSTLY_BLACK, "black"),
            (looks.bright_share, MOSTLY_WHITE, "white"),
        ):
            if share > limit:
                findings.append(
                    Finding(
                        "exposure",
                        "please look",
                        f"{picture.name} is {what} on {100 * share:.0f} % of its area",
                        rows[picture.name].row,
                        picture.name,
                    )
                )
    return findings


def check_sharpness(batch: CheckedBatch) -> list[Finding]:
    """Pictures far less sharp than the others of their camera: water on the lens, a moving fish."""
    rows = batch.first_lines()
    findings = []
    for (setup, camera), pictures in by_camera(batch).items():
        if len(pictures) < LEAST_PICTURES:
            continue
        usual = median(picture.looks.sharpness for picture in pictures)
        findings += [
            Finding(
                "sharpness",
                "please look",
                f"{picture.name} has {100 * picture.looks.sharpness / usual:.0f} % of the usual sharpness of"
                f" {camera or setup}",
                rows[picture.name].row,
                picture.name,
            )
            for picture in pictures
            if picture.looks.sharpness < BLURRED * usual
        ]
    return findings


def by_camera(batch: CheckedBatch) -> dict[tuple[str, str], list[Picture]]:
    """Readable pictures by set-up and camera; those of unknown cameras have nothing to be held against."""
    rows = batch.first_lines()
    groups: dict[tuple[str, str], list[Picture]] = defaultdict(list)
    for picture in _readable(batch):
        line = rows[picture.name]
        where = line.text["setup_id"], line.text["camera"] or picture.camera
        if any(where):
            groups[where].append(picture)
    return groups


def check_near_duplicates(batch: CheckedBatch) -> list[Finding]:
    """Pictures of one moment that stand under two individuals."""
    rows = batch.first_lines()
    pictures = _readable(batch)
    findings = []
    for i, j, bits in alike_pairs([picture.looks.fingerprint for picture in pictures], ALIKE_BITS):
        one, other = rows[pictures[i].name], rows[pictures[j].name]
        apart = are_two_moments(
            one.text["taken_at"] or pictures[i].taken_at, other.text["taken_at"] or pictures[j].taken_at
        )
        if _are_two_fish(one, other) and not apart and pictures[i].sha256 != pictures[j].sha256:
            findings.append(
                Finding(
                    "near-duplicate",
                    "please look",
                    f"{pictures[j].name} ({other.individual}) looks like {pictures[i].name} ({one.individual}):"
                    f" {bits} of {FINGERPRINT_BITS} bits apart",
                    other.row,
                    pictures[j].name,
                    "Look at both; exclude one by name, or give both to one individual",
                )
            )
    return findings


def _are_two_fish(one: Line, other: Line) -> bool:
    return bool(one.individual and other.individual and one.individual != other.individual)


def _readable(batch: CheckedBatch) -> list[Picture]:
    return [picture for picture in batch.images if not picture.problem]
