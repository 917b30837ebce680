"""A long evening: 300 fish, four pictures of each, and twenty faults that crews make."""

from __future__ import annotations

import csv
from datetime import timedelta
from pathlib import Path

from passage_cv.demo.exif import with_exif
from tests.batches import FACTS, jpeg
from tests.web.night import START

N_FISH, VIEWS, EVERY_S = 300, 4, 19
"""A fish every 19 seconds: all of them within the two hours around the time of one event."""
SLIPS = {12: "NSHG", 40: "BWO", 41: "BOW.", 90: "NSHH", 133: "BOWW", 180: "BWO", 222: "NSX", 270: "BO W"}
"""Codes with a slip, by fish from 0: eight faults."""
LENGTHS = {25: "48O", 77: "5O1", 150: "48 5", 201: "47l"}
"""Lengths with letters and spaces: four faults."""
SEXES = {33: "female", 101: "m", 245: "male"}
"""Words for sex that the sheet does not have: three faults."""
SKIPPED = (60, 210)
"""Fish that nobody photographed: two faults, each of which shifts all that follow unless it is seen."""
EXTRA = {5: "hand", 120: "net", 280: "deck"}
"""Pictures between two fish that show none: three faults."""
N_FAULTS = len(SLIPS) + len(LENGTHS) + len(SEXES) + len(SKIPPED) + len(EXTRA)


def write_evening(folder: Path) -> Path:
    """The batch folder of that evening: sheet, trip.toml and 1,195 pictures that know their time."""
    folder.mkdir(parents=True)
    facts = {**FACTS, "trip": "2031-05-11-RKV"}
    (folder / "trip.toml").write_text("".join(f'{name} = "{value}"\n' for name, value in facts.items()))
    with (folder / "sheet.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(("individual", "code", "length_mm", "length_type", "sex", "taken_at"))
        for i in range(N_FISH):
            code, length = SLIPS.get(i, ("NSH", "BOW")[i % 2]), LENGTHS.get(i, str(470 + i % 60))
            at = (START + timedelta(seconds=EVERY_S * i)).isoformat()
            writer.writerow((i + 1, code, length, "TL", SEXES.get(i, ("M", "F")[i % 2]), at))
    number = 0
    for i in range(N_FISH):
        shots = [f"{i}/{view}" for view in range(VIEWS)] if i not in SKIPPED else []
        shots += [EXTRA[i]] if i in EXTRA else []
        for n, key in enumerate(shots):
            number += 1
            at = START + timedelta(seconds=EVERY_S * i + (12 if key in EXTRA.values() else 2 * n))
            data = with_exif(jpeg(f"evening/{key}"), camera="Pool camera 1", taken_at=at)
            (folder / f"IMG_{number:04d}.jpg").write_bytes(data)
    return folder
