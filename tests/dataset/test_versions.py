"""Versions: named by their content, chained, never lost to another writer."""

from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from passage_cv.dataset import versions
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.diff import diff_versions
from passage_cv.dataset.segments import SCHEMA, build_segment, decode_segment, encode_segment
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import count_roles, list_versions, open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch

NOON = datetime(2031, 5, 12, 12, tzinfo=UTC)


def write_trip(folder: Path, trip: str, n: int = 2) -> Path:
    return write_batch(folder, trip_rows(trip, n), {**FACTS, "trip": trip, "eventID": f"{trip}-1"})


def accept(folder: Path, store: Store) -> str:
    return accept_batch(check_batch(folder), store, author="TBO", at=NOON).version


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.create(tmp_path / "store", StoreSettings())


def test_history_and_names(tmp_path: Path, store: Store) -> None:
    names = [accept(write_trip(tmp_path / trip, trip), store) for trip in ("T1", "T2")]
    history = list_versions(store)
    assert [info.name for info in history] == names
    assert [info.n_batches for info in history] == [1, 2]
    assert open_version(store, "2").record.parent == names[0]
    assert open_version(store, names[0]).table().num_rows == 2
    assert open_version(store).table().num_rows == 4


def test_an_old_version_stays_exactly_as_it_was(tmp_path: Path, store: Store) -> None:
    first = accept(write_trip(tmp_path / "T1", "T1"), store)
    before = open_version(store, first).table()
    accept(write_trip(tmp_path / "T2", "T2"), store)
    assert open_version(store, first).table().equals(before)


def test_what_is_not_there_is_named(tmp_path: Path, store: Store) -> None:
    with pytest.raises(InputError, match="Store has no version yet"):
        open_version(store)
    name = accept(write_trip(tmp_path / "T1", "T1"), store)
    for wrong in ("2", "000001-aaaaaaaaaaaa", "newest"):
        with pytest.raises(InputError, match=f"There is no version '{wrong}', the store has {name}"):
            open_version(store, wrong)


def test_diff_tells_what_came(tmp_path: Path, store: Store) -> None:
    accept(write_trip(tmp_path / "T1", "T1"), store)
    accept(write_trip(tmp_path / "T2", "T2", 3), store)
    found = diff_versions(open_version(store, "1"), open_version(store))
    assert (found.n_came, found.n_went, found.changes) == (3, 0, ())
    assert found.batches[0].startswith("T2-")


def test_individuals_are_counted_not_images(tmp_path: Path, store: Store) -> None:
    rows = trip_rows("T1", 4, views=3)
    accept(write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1"}), store)
    counts = count_roles(open_version(store))
    assert {name: sum(n.values()) for name, n in counts.items()} == {"Amia calva": 2, "Channa argus": 2}


def test_the_table_has_the_promised_columns(tmp_path: Path, store: Store) -> None:
    accept(write_trip(tmp_path / "T1", "T1"), store)
    promised = (
        "image_sha256 individual occurrence event trip site setup_id camera taken_at scientificName code purpose"
        " role sheet_order length_mm light turbidity_NTU recordedBy batch"
    )
    table = open_version(store).table()
    assert set(promised.split()) <= set(table.column_names)
    (row, *_) = table.to_pylist()
    assert (row["length_mm"], row["light"]) == (None, "")


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(range(4)), at=st.integers(0, 10**6))
def test_a_name_ignores_file_order_and_changes_with_any_byte(tmp_path_factory, order: list[int], at: int) -> None:  # noqa: ANN001 - pytest's factory
    root = tmp_path_factory.mktemp("order")
    folder = write_trip(root / "b", "T1", 4)
    first = accept(folder, Store.create(root / "s1", StoreSettings()))
    files = sorted((folder / "images").iterdir())
    contents = [path.read_bytes() for path in files]
    for path in files:
        path.unlink()
    for i in order:
        files[i].write_bytes(contents[i])
    assert accept(folder, Store.create(root / "s2", StoreSettings())) == first
    _change_one_byte(folder, at)
    with suppress(InputError):  # most changes of a sheet no longer make sense
        assert accept(folder, Store.create(root / "s3", StoreSettings())) != first


def _change_one_byte(folder: Path, at: int) -> None:
    files = [folder / "sheet.csv", folder / "trip.toml", *sorted((folder / "images").iterdir())]
    path = files[at % len(files)]
    data = bytearray(path.read_bytes())
    data[at % len(data)] ^= 1
    path.write_bytes(bytes(data))


def test_a_segment_is_read_as_it_was_written(tmp_path: Path) -> None:
    table = build_segment(check_batch(write_trip(tmp_path / "T1", "T1", 5)))
    data = encode_segment(table)
    assert decode_segment(data).equals(table)
    assert encode_segment(decode_segment(data)) == data
    assert table.schema.equals(SCHEMA)


def test_two_writers_both_get_in(tmp_path: Path, store: Store) -> None:
    batches = [check_batch(write_trip(tmp_path / f"T{i}", f"T{i}")) for i in range(8)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda batch: accept_batch(batch, store, author="TBO"), batches))
    assert [info.n_batches for info in list_versions(store)] == list(range(1, 9))
    assert open_version(store).table().num_rows == 16
    assert verify_store(store).problems == ()
    named = {f"{info.name}.json" for info in list_versions(store)}
    assert set(store.storage.names("versions")) == named  # losers take their own file away


def test_a_store_keeps_its_settings(tmp_path: Path, store: Store) -> None:
    assert Store.open(tmp_path / "store").settings == store.settings
    with pytest.raises(InputError, match="asked for unit individual"):
        Store.create(tmp_path / "store", StoreSettings(unit="individual"))
    with pytest.raises(InputError, match="There is no store here"):
        Store.open(tmp_path / "nowhere")


def test_settings_with_odd_names_are_read_back(tmp_path: Path) -> None:
    odd = StoreSettings(limited=('Channa "argus"', "Größe \\ x"), seed=5)
    Store.create(tmp_path / "odd", odd)
    assert Store.open(tmp_path / "odd").settings == odd


def test_windows_and_packs_change_nothing_that_is_read(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = Store.create(tmp_path / "plain", StoreSettings())
    folders = [write_trip(tmp_path / f"T{i}", f"T{i}") for i in range(7)]
    for folder in folders:
        accept(folder, plain)
    monkeypatch.setattr(versions, "WINDOW", 3)
    for folder in folders:
        accept(folder, store)
    newest = open_version(store)
    assert (len(newest.record.sealed), len(newest.record.batches), newest.record.n_batches) == (2, 1, 7)
    assert len(store.storage.names("packs")) == 2
    assert newest.table().equals(open_version(plain).table())
    columns = ["individual", "role"]
    assert newest.table(columns).equals(open_version(plain).table(columns))
    assert open_version(store, "5").table().num_rows == 10
    again = accept_batch(check_batch(folders[0]), store, author="TBO")
    assert not again.changed
    assert verify_store(store).problems == ()


def test_a_damaged_or_missing_pack_is_not_believed(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(versions, "WINDOW", 2)
    for i in range(3):
        accept(write_trip(tmp_path / f"T{i}", f"T{i}"), store)
    whole = open_version(store).table()
    (name,) = store.storage.names("packs")
    path = tmp_path / "store/packs" / name
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    assert open_version(store).table().equals(whole)
    assert f"packs/{name} was changed" in verify_store(store).problems[0]
    path.unlink()
    assert open_version(store).table().equals(whole)
    assert verify_store(store).problems == ()
