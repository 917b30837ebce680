"""The leak report: silent on a sound version, loud on a planted leak."""

import pyarrow as pa
import pytest

from passage_cv.dataset import leaks
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.leaks import Leak, find_leaks
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch


@pytest.fixture(scope="module")
def version(tmp_path_factory: pytest.TempPathFactory) -> Version:
    root = tmp_path_factory.mktemp("leaks")
    store = Store.create(root / "store", StoreSettings())
    for i in range(5):
        rows = [{**row, "organismID": f"tag-{i}-{row['individual']}"} for row in trip_rows(f"T{i}", 3)]
        accept_batch(check_batch(write_batch(root / f"b{i}", rows, {**FACTS, "trip": f"T{i}"})), store, author="TBO")
    return open_version(store)


def test_a_sound_version_has_no_leak(version: Version) -> None:
    found = {leak.what.partition(" (")[0]: leak for leak in find_leaks(version)}
    assert not [leak for leak in found.values() if leak.is_fault]
    assert (found["individuals"].n, found["individuals"].shared) == (15, 0)
    assert (found["sites"].n, found["sites"].shared, found["sites"].allowed) == (1, 1, True)
    assert found["near-duplicates between train and cut"].n == 36  # two trips of three against two of three


class Planted:
    """A version whose rows were changed behind its back."""

    def __init__(self, version: Version, rows: list[dict[str, object]]) -> None:
        self.store = version.store
        self._rows = pa.Table.from_pylist(rows, schema=version.table().schema)

    def table(self, columns: tuple[str, ...]) -> pa.Table:
        return self._rows.select(list(columns))


def faults(version: Version, column: str) -> list[Leak]:
    """Give one row of ``train`` a value that a row of ``test`` has."""
    rows = version.table().to_pylist()
    train = next(row for row in rows if row["role"] == "train")
    test = next(row for row in rows if row["role"] == "test")
    train[column] = test[column]
    return [leak for leak in find_leaks(Planted(version, rows)) if leak.is_fault]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("column", "what"),
    [
        ("image_sha256", "pictures (SHA-256)"),
        ("organismID", "tags"),
        ("individual", "individuals"),
        ("trip", "trips"),
        ("event", "events"),
    ],
)
def test_a_planted_leak_is_found(version: Version, column: str, what: str) -> None:
    (leak,) = faults(version, column)
    assert (leak.what, leak.shared) == (what, 1)
    assert leak.examples


def test_a_planted_near_duplicate_is_found(version: Version) -> None:
    (leak,) = faults(version, "fingerprint")
    assert leak.what.startswith("near-duplicates between train and test (nearest 0 of 256")


def test_large_versions_skip_pairs_and_say_nothing_of_them(version: Version, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leaks, "MOST_PICTURES", 2)
    assert not [leak for leak in find_leaks(version) if "near-duplicates" in leak.what]
