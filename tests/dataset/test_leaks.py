"""The leak report: silent on a sound version, loud on a planted leak."""

import pyarrow as pa
import pytest

from passage_cv.dataset import leaks
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.facts import RolesFact
from passage_cv.dataset.leaks import Leak, find_leaks
from passage_cv.dataset.missing import what_is_missing
from passage_cv.dataset.redraw import check_draws
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


def test_of_large_versions_a_sample_is_looked_at_and_said_to_be_one(
    version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(leaks, "MOST_PICTURES", 4)
    found = [leak for leak in find_leaks(version) if "near-duplicates" in leak.what]
    assert [leak.n for leak in found] == [16, 12, 12]  # by hand: 4 of 6 train and cut, all 3 of test
    assert "between train and cut, LOOKED AT 4 x 4 OF 6 x 6 PICTURES" in found[0].what


def test_every_draw_can_be_repeated_from_the_seed(version: Version) -> None:
    assert [(leak.n, leak.shared) for leak in check_draws(version)] == [(5, 0), (5, 0), (5, 0)]


class Redrawn:
    """A version in whose facts somebody moved a trip to another role."""

    def __init__(self, version: Version, changed: dict[str, object]) -> None:
        self.store = version.store
        facts = version.roles_facts()
        draw = facts[0].draws[0]
        moved = draw.model_copy(update=changed)
        self._facts = [facts[0].model_copy(update={"draws": (moved,), "units": {moved.unit: moved.role}}), *facts[1:]]

    def roles_facts(self) -> list[RolesFact]:
        return self._facts


def test_a_draw_that_somebody_chose_is_found(version: Version) -> None:
    drawn = version.roles_facts()[0].draws[0]
    role = "test" if drawn.role != "test" else "train"
    chosen, twice, _ = check_draws(Redrawn(version, {"role": role}))  # type: ignore[arg-type]
    assert (chosen.shared, chosen.examples, twice.shared) == (1, ("T0",), 0)
    later = version.roles_facts()[1].draws[0]
    _, twice, _ = check_draws(Redrawn(version, {"unit": later.unit, "slot": later.slot}))  # type: ignore[arg-type]
    assert (twice.shared, twice.examples) == (2, ("T1", f"other, block 0, slot {later.slot}"))


def test_what_each_class_lacks_in_individuals_and_trips(version: Version) -> None:
    standings = {one.name: one for one in what_is_missing(version, {"Channa argus": 10, "Anguilla rostrata": 3})}
    # By hand: five trips of NSH, BOW, NSH; two trips each in train and cut, one in test; shares 0.4 / 0.4 / 0.2.
    snakehead = standings["Channa argus"]
    assert (snakehead.individuals, snakehead.trips) == (
        {"train": 4, "cut": 4, "test": 2},
        {"train": 2, "cut": 2, "test": 1},
    )
    assert (snakehead.missing, snakehead.further_trips) == (6, 8)  # 6 / 0.4 = 15 fish at 2 per trip
    assert (standings["Amia calva"].needed, standings["Amia calva"].missing) == (None, None)
    assert (standings["Anguilla rostrata"].missing, standings["Anguilla rostrata"].further_trips) == (3, None)
    (met,) = what_is_missing(version, {"Channa argus": 4})[1:]
    assert (met.missing, met.further_trips) == (0, 0)
    by_trip = what_is_missing(version, {"Channa argus": 5}, by_trip=True)[1]
    assert (by_trip.missing, by_trip.further_trips) == (3, 8)  # 3 / 0.4 = 7.5 trips
