"""Keys of a store's parts: never "no" where a batch must be held against something, never believed when changed."""

import io
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from passage_cv.dataset import against_store
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.against_store import findings_against, look_back
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.key_files import DamagedKeys, KeyFile, encode_keys
from passage_cv.dataset.keys import keys_of, keys_path, meets, parts_to_read, read_keys
from passage_cv.dataset.segments import build_segment
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.sweep import sweep_store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import open_version
from passage_cv.intake.check import check_batch
from passage_cv.intake.look_checks import ALIKE_BITS
from tests.batches import FACTS, trip_rows, write_batch


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Three trips of four fish."""
    made = Store.create(tmp_path / "store", StoreSettings())
    for trip in ("T1", "T2", "T3"):
        folder = write_batch(tmp_path / trip, trip_rows(trip, 4, views=2), {**FACTS, "trip": trip})
        accept_batch(check_batch(folder), made, author="TBO")
    return made


def segment_of(folder: Path, rows: list[dict[str, str]], trip: str) -> pa.Table:
    return build_segment(check_batch(write_batch(folder, rows, {**FACTS, "trip": trip})))


def rows_of(*fields: tuple[str, str, str, str, str, str]) -> pa.Table:
    names = ("image_sha256", "individual", "event", "trip", "site", "fingerprint")
    return pa.table({name: [row[i] for row in fields] for i, name in enumerate(names)})


def test_a_new_trip_reads_no_part_and_a_known_one_its_own(tmp_path: Path, store: Store) -> None:
    version = open_version(store)
    assert parts_to_read(segment_of(tmp_path / "n", trip_rows("T9", 2), "T9"), version, ALIKE_BITS) == set()
    again = segment_of(tmp_path / "a", trip_rows("T2", 2), "T2")
    assert parts_to_read(again, version, ALIKE_BITS) == {version.record.batches[1].segment}


@pytest.mark.parametrize("trip", ["T2", "T9"])
def test_findings_are_those_of_reading_everything(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch, trip: str
) -> None:
    segment, version = segment_of(tmp_path / "a", trip_rows(trip, 3, ("BOW", "NSH")), trip), open_version(store)
    few = findings_against(segment, look_back(segment, version), store)
    monkeypatch.setattr(against_store, "parts_to_read", lambda _segment, before, _bits: set(before.parts))
    assert few == findings_against(segment, look_back(segment, version), store)
    assert bool(few) == (trip == "T2")


def test_a_fish_is_found_under_the_name_that_an_amendment_gave_it(tmp_path: Path, store: Store) -> None:
    version = open_version(store)
    one = version.table(["image_sha256"])["image_sha256"][0].as_py()
    amend(store, "split", images=[one], becomes="TAG-77", author="TBO", why="another fish, tag read on the picture")
    rows = [{**row, "individual": "", "organismID": "TAG-77"} for row in trip_rows("T9", 1)]
    segment, newer = segment_of(tmp_path / "n", rows, "T9"), open_version(store)
    assert parts_to_read(segment, newer, ALIKE_BITS) == {newer.record.batches[0].segment}
    assert [one.kind for one in findings_against(segment, look_back(segment, newer), store)][:1] == [
        "repeat sighting"
    ]


def test_lost_and_changed_keys_are_made_again(tmp_path: Path, store: Store) -> None:
    version = open_version(store)
    lost, changed, _ = (entry.segment for entry in version.record.batches)
    store.storage.local(keys_path(lost)).unlink()
    path = store.storage.local(keys_path(changed))
    data = path.read_bytes()
    path.write_bytes(data[:-1] + b"x")  # the half of a fingerprint that few batches read
    assert any("keys/" in problem for problem in verify_store(store).problems)
    path.write_bytes(data[: data.index(b"\n") + 1] + b"x" + data[data.index(b"\n") + 2 :])
    assert any("keys/" in problem for problem in verify_store(store).problems)
    again = segment_of(tmp_path / "a", [*trip_rows("T1", 1), *trip_rows("T2", 1)], "T1")
    assert {lost, changed} <= parts_to_read(again, version, ALIKE_BITS)
    assert read_keys(store, lost)
    assert read_keys(store, changed)
    assert verify_store(store).problems == ()


def test_keys_of_parts_that_are_gone_are_swept(store: Store) -> None:
    old = f"keys/{open_version(store).record.batches[0].segment[:12]}.keys"
    store.storage.put("keys/0123456789ab.keys2", b"of a window that no version has")
    store.storage.put(old, b"as the first ones were written")
    assert set(sweep_store(store, grace_hours=0).paths) == {"keys/0123456789ab.keys2", old}


@pytest.mark.parametrize("apart", [0, ALIKE_BITS, ALIKE_BITS + 1])
def test_a_look_alike_is_found_by_both_halves_of_its_fingerprint(apart: int) -> None:
    seen = rows_of(*((f"{i:064x}", "E1/1", "E1", "T", "S", f"{i * 7:064x}") for i in range(9)))
    asked = (7 * 8) ^ ((1 << apart // 2) - 1) ^ (((1 << (apart - apart // 2)) - 1) << 128)  # bits of both halves
    wanted = keys_of(rows_of(("f" * 64, "E2/1", "E2", "T2", "S", f"{asked:064x}")))
    nearest = min((asked ^ (7 * i)).bit_count() for i in range(9))
    stored = KeyFile(io.BytesIO(encode_keys(keys_of(seen))))
    assert meets(wanted, stored, ALIKE_BITS) == (nearest <= ALIKE_BITS)


class Distant(io.BytesIO):
    """A stream as fsspec gives it for a store behind an address: ``AbstractBufferedFile.readline`` takes no limit."""

    def readline(self) -> bytes:  # type: ignore[override]
        return super().readline()


def test_keys_are_read_from_a_store_behind_an_address() -> None:
    keys = keys_of(rows_of(("a" * 64, "E1/1", "E1", "T", "S", "b" * 64)))
    assert list(KeyFile(Distant(encode_keys(keys))).images) == list(keys.images)


def test_a_cut_file_is_damaged_wherever_it_is_cut() -> None:
    data = encode_keys(keys_of(rows_of(("a" * 64, "E1/1", "E1", "T", "S", "b" * 64))))
    for length in range(len(data)):
        with pytest.raises(DamagedKeys):
            KeyFile(io.BytesIO(data[:length])).read_all()


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_what_is_shared_is_always_met(data: st.DataObject) -> None:
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000)))
    rows = [
        (rng.bytes(32).hex(), f"E{i}/1", f"E{i}", "T", f"S{i % 2}", rng.bytes(32).hex())
        for i in range(rng.integers(1, 9))
    ]
    kept = KeyFile(io.BytesIO(encode_keys(keys_of(rows_of(*rows))))).read_all()
    assert set(kept.fingerprints) == {row[4] for row in rows}
    wanted = keys_of(rows_of(rows[data.draw(st.integers(0, len(rows) - 1))]))
    assert np.isin(wanted.images, kept.images).all()
    assert np.isin(wanted.names, kept.names).all()
    (site,) = wanted.fingerprints
    assert (kept.fingerprints[site] == wanted.fingerprints[site][0]).all(axis=1).any()
