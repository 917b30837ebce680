"""Coverage counts individuals, and gaps count as zero."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli import versions
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.coverage import (
    CLOUDY_NTU,
    SIZES_MM,
    band,
    count_cover,
    cross_cover,
    next_trips,
    thin_cells,
)
from passage_cv.dataset.figures import draw_cover
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.files import sha256_file
from passage_cv.intake.check import check_batch
from passage_cv.intake.images import decode_picture
from tests.batches import FACTS, trip_rows, write_batch


@pytest.fixture
def version(tmp_path: Path) -> Version:
    rows = trip_rows("T1", 4, views=2)
    for i, row in enumerate(rows):
        row |= {"light": "night" if row["code"] == "NSH" and i % 2 else "day", "length_type": "TL"}
        row["length_mm"] = "150" if row["code"] == "BOW" else "500"
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1"})), store, author="TBO")
    return open_version(store)


def test_individuals_are_counted_at_each_level(version: Version) -> None:
    cells = {(c.name, c.dimension, c.level): (c.n_individuals, c.n_trips) for c in count_cover(version)}
    assert cells["Channa argus", "size", "400 to 700 mm"] == (2, 1)
    assert cells["Channa argus", "size", "under 200 mm"] == (0, 0)
    assert cells["Channa argus", "light", "night"] == (2, 1)  # each seen by day and by night
    assert cells["Channa argus", "light", "day"] == (2, 1)
    assert cells["Amia calva", "light", "night"] == (0, 0)
    assert cells["Amia calva", "turbidity", "not recorded"] == (2, 1)


def test_fish_without_light_or_turbidity_are_told(version: Version, tmp_path: Path) -> None:
    said = CliRunner().invoke(versions.app, ["cover", "--store", str(tmp_path / "store")]).output
    assert "no fish has light and turbidity" in said
    assert "lacking" not in said  # an empty table says nothing
    assert "0 individuals without light, 4 without turbidity: record them" in said


def test_thin_cells_are_the_next_trips_errand(version: Version) -> None:
    thin = thin_cells(count_cover(version, ("size", "light", "turbidity")), 1)
    assert [(cell.name, cell.level) for cell in thin] == [
        ("Amia calva", "night"),
        ("Amia calva", "400 to 700 mm"),
        ("Channa argus", "under 200 mm"),
    ]


@pytest.mark.parametrize(
    ("value", "name"),
    [(199.9, "under 200 mm"), (200, "200 to 400 mm"), (700, "700 mm and more"), (None, "not recorded")],
)
def test_bands_hold_their_lower_bound(value: float | None, name: str) -> None:
    assert band(value, SIZES_MM, "mm") == name
    assert band(0, CLOUDY_NTU, "NTU") == "under 20 NTU"


def test_the_next_trip_goes_where_most_is_lacking(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", StoreSettings())
    day, night = {"light": "day", "turbidity_NTU": "12"}, {"light": "night", "turbidity_NTU": "60"}
    for trip, facts, codes in (("T1", day, ("NSH", "NSH", "BOW")), ("T2", night, ("NSH",))):
        rows = [{**row, "length_type": "TL", "length_mm": "500"} for row in trip_rows(trip, len(codes), codes)]
        folder = write_batch(tmp_path / trip, rows, {**FACTS, "trip": trip, **facts})
        accept_batch(check_batch(folder), store, author="TBO")
    version = open_version(store)
    cells = {key: len(who) for key, who in cross_cover(version).items()}
    assert cells == {
        ("Channa argus", "400 to 700 mm", "day", "under 20 NTU"): 2,
        ("Amia calva", "400 to 700 mm", "day", "under 20 NTU"): 1,
        ("Channa argus", "400 to 700 mm", "night", "50 NTU and more"): 1,
    }
    by_night, by_day = next_trips(version, 2)
    # By hand: two of each wanted; at night one snakehead of two and no bowfin, by day only one bowfin.
    assert (by_night.light, by_night.lacking, by_night.trips) == ("night", 3, ("T2",))
    assert by_night.gaps == (("Amia calva", "400 to 700 mm", 0), ("Channa argus", "400 to 700 mm", 1))
    assert (by_day.light, by_day.lacking, by_day.n_individuals) == ("day", 1, 3)
    assert [one.lacking for one in next_trips(version, 0)] == [0, 0]


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_the_picture_of_it_shows_every_class_and_level(tmp_path: Path, version: Version, ending: str) -> None:
    path = tmp_path / f"out/cover.{ending}"
    assert draw_cover(version, path, least=3) == sha256_file(path)
    assert [other.name for other in path.parent.iterdir()] == [path.name]
    if ending == "svg":
        text = path.read_text()
        for words in ("Amia calva", "Channa argus", "400 to 700 mm", "light and turbidity", "fewer than 3"):
            assert f"<!-- {words}" in text or words in text
    else:
        assert decode_picture(path.read_bytes()).shape[0] > 200
