"""A store of format 1, written by the code of that day, opens as it was and goes on growing."""

import zipfile
from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch

OLD = Path(__file__).with_name("store_of_format_1.zip")
"""Three batches of two fish, of trips T1, T2 and T1 again, accepted by the first commit that could."""
NAMES = ["000001-22a36b4d376e", "000002-0256af8b242f", "000003-f3df7318ac79"]
"""As that commit printed them."""


@pytest.fixture
def store(tmp_path: Path) -> Store:
    with zipfile.ZipFile(OLD) as packed:
        packed.extractall(tmp_path / "store")
    return Store.open(tmp_path / "store")


def test_every_version_opens_under_its_name(store: Store) -> None:
    assert [info.name for info in list_versions(store)] == NAMES
    assert [info.n_batches for info in list_versions(store)] == [1, 2, 3]
    assert [open_version(store, name).table().num_rows for name in NAMES] == [2, 4, 6]
    assert verify_store(store).problems == ()


def test_a_trip_drawn_earlier_keeps_its_role(store: Store) -> None:
    rows = open_version(store).table().to_pylist()
    assert [(row["trip"], row["role"]) for row in rows[::2]] == [("T1", "train"), ("T2", "test"), ("T1", "train")]


def test_it_goes_on_growing(tmp_path: Path, store: Store) -> None:
    before = open_version(store).table()
    for trip in ("T1", "T3", "T4"):
        rows = [{**row, "eventID": f"{trip}-9"} for row in trip_rows(trip, 2)]
        accept_batch(check_batch(write_batch(tmp_path / trip, rows, {**FACTS, "trip": trip})), store, author="TBO")
    newest = open_version(store)
    assert newest.record.format == 2
    assert [fact.format for fact in newest.roles_facts()] == [1, 1, 1, 2, 2, 2]
    drawn = [(draw.unit, draw.slot) for fact in newest.roles_facts() for draw in fact.draws]
    assert drawn == [("T1", 0), ("T2", 1), ("T3", 2), ("T4", 3)]  # no slot twice, no trip twice
    assert [row["role"] for row in newest.table().to_pylist()][6:8] == ["train", "train"]
    assert open_version(store, NAMES[2]).table().equals(before)
    assert verify_store(store).problems == ()
