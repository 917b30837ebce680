"""An evening's work: a sheet that names no pictures, and pictures that know their time only."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from passage_cv.demo.exif import with_exif
from tests.batches import FACTS, jpeg

START = datetime.fromisoformat("2031-05-11T20:00:00-04:00")


def write_night(
    folder: Path, n: int, *, views: int = 2, every_s: int = 60, skipped: tuple[int, ...] = (), codes: str = "NSH BOW"
) -> Path:
    """``n`` fish, a line each; ``views`` pictures of each, two seconds apart, but none of the ``skipped`` ones."""
    folder.mkdir(parents=True)
    names = codes.split()
    rows = [f"{i + 1},{names[i % len(names)]},{480 + i % 40},TL" for i in range(n)]
    (folder / "sheet.csv").write_text("individual,code,length_mm,length_type\n" + "\n".join(rows) + "\n")
    facts = {**FACTS, "trip": folder.name}
    (folder / "trip.toml").write_text("".join(f'{name} = "{value}"\n' for name, value in facts.items()))
    number = 0
    for i in range(n):
        for view in range(views if i not in skipped else 0):
            number += 1
            at = START + timedelta(seconds=every_s * i + 2 * view)
            data = with_exif(jpeg(f"{folder.name}/{i}/{view}"), camera="Pool camera 1", taken_at=at)
            (folder / f"IMG_{number:04d}.jpg").write_bytes(data)
    return folder
