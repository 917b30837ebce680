"""Each kind of fault changes the cells it lists, and nothing else."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from passage_cv.demo.campaign import SHEET_COLUMNS, draw_catches, draw_trips, image_fish, sheet_rows
from passage_cv.demo.faults import KINDS, plant_faults, write_planted
from passage_cv.demo.tables import write_table
from passage_cv.errors import InputError


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A clean sheet of a full-sized batch on a day that can be read as a month; no images are needed."""
    rng = np.random.default_rng(6)
    trips = draw_trips(rng)
    catches = draw_catches(len(trips), 1.0, rng)
    place = next(
        i for i, trip in enumerate(trips) if int(trip.name[8:10]) <= 12 and trip.name[5:7] != trip.name[8:10]
    )
    path = tmp_path_factory.mktemp("clean") / "sheet.csv"
    write_table(path, SHEET_COLUMNS, sheet_rows(trips[place], image_fish(trips[place], catches[place], rng)))
    return path.read_bytes()


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_listed_is_what_was_changed(kind: str, sheet: bytes, tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_bytes(sheet)
    before = _rows(path)
    planted = plant_faults(tmp_path, [kind], seed=8)
    after = _rows(path)
    assert planted
    listed = {(cell.row, cell.column): (cell.was, cell.now) for cell in planted}
    changed = {
        (row + 2, column): (old.get(column, ""), new[column])
        for row, (old, new) in enumerate(zip(before, after, strict=True))
        for column in new
        if old.get(column, "") != new[column]
    }
    assert listed == changed
    assert all(cell.kind == kind for cell in planted)


def test_same_seed_same_faults_and_another_seed_others(sheet: bytes, tmp_path: Path) -> None:
    found = []
    for seed in (1, 1, 2):
        (tmp_path / "sheet.csv").write_bytes(sheet)
        found.append(plant_faults(tmp_path, ["length in cm", "digits swapped"], seed=seed))
    assert found[0] == found[1]
    assert found[0] != found[2]


def test_length_in_cm_is_a_tenth(sheet: bytes, tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_bytes(sheet)
    (cell,) = plant_faults(tmp_path, ["length in cm"], seed=3)
    assert float(cell.now) == pytest.approx(float(cell.was) / 10, abs=0.06)


def test_tags_planted_are_test_tags(sheet: bytes, tmp_path: Path) -> None:
    # handbook 1: prefix 999 is for test tags, 15 digits
    (tmp_path / "sheet.csv").write_bytes(sheet)
    twice = plant_faults(tmp_path, ["same tag twice"], seed=3)
    assert len(twice) == 2
    assert twice[0].now == twice[1].now
    assert twice[0].now.startswith("999")
    assert len(twice[0].now) == 15


def test_unknown_kinds_and_sheets_too_small_are_refused(sheet: bytes, tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_bytes(sheet)
    with pytest.raises(InputError, match="Unknown faults \\['coffee stain'\\]"):
        plant_faults(tmp_path, ["coffee stain"], seed=1)
    (tmp_path / "sheet.csv").write_bytes(b"\r\n".join(sheet.split(b"\r\n")[:1]) + b"\r\n")
    with pytest.raises(InputError, match="No line of the sheet is fit for the fault 'length in cm'"):
        plant_faults(tmp_path, ["length in cm"], seed=1)


def test_list_names_the_batch(sheet: bytes, tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_bytes(sheet)
    planted = plant_faults(tmp_path, ["unknown length as 0"], seed=1)
    write_planted(tmp_path / "planted.json", [("2029-04-01-RKV", cell) for cell in planted])
    (entry,) = json.loads((tmp_path / "planted.json").read_text(encoding="utf-8"))
    assert entry["batch"] == "2029-04-01-RKV"
    assert entry["now"] == "0"
