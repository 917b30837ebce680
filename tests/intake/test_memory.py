"""A check holds little of each line and picture, so that twenty thousand fit beside everything else."""

import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import find_faults, read_batch
from passage_cv.intake.images import Picture
from passage_cv.intake.looks import Looks
from tests.batches import FACTS

MOST_BYTES = 3000
"""Of a line with its picture at the highest point of a check: 60 MB for 20,000 [ours; it was 16,000 bytes before]."""
HEAD = "image,individual,code,eventID,length_mm,length_type,weight_g,recordedBy\n"


def test_a_line_with_its_picture_costs_little_memory(tmp_path: Path) -> None:
    peak_of(tmp_path / "first", 50)  # what is read once and kept
    few, many = 600, 3000
    extra = peak_of(tmp_path / "many", many) - peak_of(tmp_path / "few", few)
    assert extra / (many - few) < MOST_BYTES


def peak_of(folder: Path, n: int) -> int:
    """Bytes at the highest point of reading ``n`` lines and judging them; pictures are made up."""
    folder.mkdir()
    rows = (f"images/{i:05d}.jpg,{i % 300},NSH,E{i // 300},{300 + i % 400},TL,{500 + i % 90},TBO\n" for i in range(n))
    (folder / "sheet.csv").write_text(HEAD + "".join(rows))
    facts = {key: value for key, value in FACTS.items() if key != "eventID"}
    (folder / "trip.toml").write_text("".join(f'{key} = "{value}"\n' for key, value in facts.items()))
    tracemalloc.start()
    try:
        batch = read_batch(folder)
        assert find_faults(replace(batch, images=made_up(batch))).rows
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def made_up(batch: CheckedBatch) -> tuple[Picture, ...]:
    """A sharp, well lit picture for each line, unlike every other."""
    rng = np.random.default_rng(4)
    return tuple(
        Picture(
            name,
            f"{batch.folder}/{name}",
            sha256=rng.bytes(32).hex(),
            n_bytes=400_000,
            kind="jpg",
            width=1920,
            height=1080,
            looks=Looks(120.0 + rng.random(), 0.01, 0.01, 60.0 + rng.random(), rng.bytes(32).hex()),
        )
        for name in batch.first_lines()
    )
