"""Coverage counts individuals, and gaps count as zero."""

from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.coverage import CLOUDY_NTU, SIZES_MM, band, count_cover, thin_cells
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.intake.check import check_batch
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
