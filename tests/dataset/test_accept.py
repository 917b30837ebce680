"""Batches into a store: whole or not at all, with lasting roles."""

import json
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.receipt import Receipt
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.dataset.working import working_image
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, ROWS, jpeg, trip_rows, write_batch

NOON = datetime(2031, 5, 12, 12, tzinfo=UTC)


def accept(folder: Path, store: Store, **options: object) -> Receipt:
    return accept_batch(check_batch(folder, **options), store, author="TBO", at=NOON)  # type: ignore[arg-type]


def roles(store: Store) -> dict[str, str]:
    table = open_version(store).table()
    return dict(zip(table["image"].to_pylist(), table["role"].to_pylist(), strict=True))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.create(tmp_path / "store", StoreSettings(seed=3))


def test_a_batch_becomes_a_version(tmp_path: Path, store: Store) -> None:
    receipt = accept(write_batch(tmp_path / "b"), store)
    assert (receipt.n_images, receipt.n_individuals, receipt.changed) == (3, 2, True)
    version = open_version(store)
    assert version.name == receipt.version
    assert version.name.startswith("000001-")
    rows = version.table().to_pylist()
    assert [row["individual"] for row in rows] == ["E1/1", "E1/1", "E1/2"]
    assert [row["scientificName"] for row in rows] == ["Channa argus", "Channa argus", "Amia calva"]
    assert [row["sheet_order"] for row in rows] == [0, 1, 2]
    assert {row["site"] for row in rows} == {"QMR-KBW-01"}
    for row in rows:
        assert store.read_object(row["image_sha256"]) == (tmp_path / "b" / row["image"]).read_bytes()


def test_unresolved_findings_keep_a_batch_out(tmp_path: Path, store: Store) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "images/2.jpg").unlink()
    with pytest.raises(
        InputError, match=r"1 findings must be resolved: Row 3 names images/2.jpg, which did not come"
    ):
        accept(folder, store)
    assert list_versions(store) == []
    assert not (tmp_path / "store/objects").exists()


def test_the_same_batch_twice_changes_nothing_and_says_so(tmp_path: Path, store: Store) -> None:
    first = accept(write_batch(tmp_path / "b"), store)
    again = accept(tmp_path / "b", store)
    (tmp_path / "b").rename(tmp_path / "c")
    renamed = accept(tmp_path / "c", store)
    assert (again.changed, renamed.changed) == (False, False)
    assert {first.version, again.version, renamed.version} == {info.name for info in list_versions(store)}


def test_pictures_of_an_earlier_batch_are_refused(tmp_path: Path, store: Store) -> None:
    accept(write_batch(tmp_path / "b"), store)
    folder = write_batch(tmp_path / "c", facts={**FACTS, "eventID": "E2"}, key="b")
    with pytest.raises(InputError, match=r"^1 findings .* All 3 pictures are already in the store, in batch b-"):
        accept(folder, store)  # said once, not for each picture
    with pytest.raises(InputError, match=r"^1 findings .* images/1.jpg is already in the store, in batch b-"):
        accept(folder, store, excluded={f"images/{i}.jpg": "sent before" for i in (2, 3)})
    left_out = {row["image"]: "sent before" for row in ROWS[:2]} | {"images/3.jpg": "sent before"}
    with pytest.raises(InputError, match="Batch keeps no picture"):
        accept(folder, store, excluded=left_out)


def test_an_event_number_cannot_be_used_for_two_sets(tmp_path: Path, store: Store) -> None:
    accept(write_batch(tmp_path / "b"), store)
    folder = write_batch(tmp_path / "c", facts={**FACTS, "eventDate": "2031-05-18T20:00:00-04:00"})
    with pytest.raises(InputError, match=r"Event E1 is 2031-05-18T20:00:00-04:00.*in batch b-"):
        accept(folder, store)


def test_a_tagged_fish_keeps_its_species(tmp_path: Path, store: Store) -> None:
    tagged = {"image": "1.jpg", "organismID": "999000000012345", "code": "AMS", "eventID": "E1"}
    accept(write_batch(tmp_path / "b", [tagged]), store)
    with pytest.raises(InputError, match="Individual 999000000012345 is Morone americana here"):
        accept(write_batch(tmp_path / "c", [{**tagged, "code": "WPE", "eventID": "E2"}]), store)


def test_a_store_by_trip_needs_trips(tmp_path: Path, store: Store) -> None:
    folder = write_batch(tmp_path / "b", facts={key: value for key, value in FACTS.items() if key != "trip"})
    with pytest.raises(InputError, match="3 images have no trip"):
        accept(folder, store)
    by_fish = Store.create(tmp_path / "by-fish", StoreSettings(unit="individual"))
    assert accept(folder, by_fish).changed


def test_all_pictures_of_a_trip_share_a_role_and_blocks_are_balanced(tmp_path: Path, store: Store) -> None:
    facts = {key: value for key, value in FACTS.items() if key not in {"trip", "eventID"}}
    for batch in range(2):
        rows = [
            {**row, "image": f"{trip}/{row['image']}"}
            for trip in (f"trip-{batch}-{i}" for i in range(5))
            for row in trip_rows(trip, 2)
        ]
        accept(write_batch(tmp_path / f"b{batch}", rows, facts), store)
    table = open_version(store).table()
    per_trip = set(zip(table["trip"].to_pylist(), table["role"].to_pylist(), strict=True))
    assert len(per_trip) == 10
    assert Counter(role for _, role in per_trip) == {"train": 4, "cut": 4, "test": 2}


def test_a_fish_seen_again_in_another_role_is_excluded_with_the_reason(tmp_path: Path, store: Store) -> None:
    for i in range(6):
        row = {"image": "1.jpg", "organismID": "999000000000001", "code": "AMS", "eventID": f"E{i}"}
        accept(write_batch(tmp_path / f"b{i}", [row], {**FACTS, "trip": f"T{i}"}), store)
    table = open_version(store).table()
    used = set(table["role"].to_pylist()) - {"excluded"}
    assert len(used) == 1  # five slots hold all three roles, so at least one sighting was excluded
    reasons = [reason for reason in table["excluded_reason"].to_pylist() if reason]
    assert reasons
    assert all("999000000000001 was first seen in" in reason for reason in reasons)


def test_only_gate_views_reach_cut_and_test(tmp_path: Path, store: Store) -> None:
    for i in range(5):
        rows = [{**row, "eventID": f"T{i}"} for row in ROWS]
        rows[1]["purpose"] = "length board"
        rows.append({"image": "slate.jpg", "purpose": "slate", "eventID": f"T{i}"})
        accept(write_batch(tmp_path / f"b{i}", rows, {**FACTS, "trip": f"T{i}"}), store)
    for row in open_version(store).table().to_pylist():
        if row["purpose"] == "length board":
            assert row["role"] in {"train", "excluded"}
        if row["purpose"] == "slate":
            assert (row["role"], row["individual"]) == ("excluded", "")
            assert row["excluded_reason"] == "purpose slate shows no fish"


def test_a_picture_left_out_stays_out(tmp_path: Path, store: Store) -> None:
    receipt = accept(write_batch(tmp_path / "b"), store, excluded={"images/2.jpg": "hand in view"})
    assert receipt.left_out == {"images/2.jpg": "hand in view"}
    assert set(roles(store)) == {"images/1.jpg", "images/3.jpg"}


def test_a_picture_changed_after_the_check_is_refused(tmp_path: Path, store: Store) -> None:
    folder = write_batch(tmp_path / "b")
    batch = check_batch(folder)
    (folder / "images/1.jpg").write_bytes(jpeg("another"))
    with pytest.raises(InputError, match="Picture changed after it was checked"):
        accept_batch(batch, store, author="TBO")
    assert list_versions(store) == []


def test_somebody_must_accept(tmp_path: Path, store: Store) -> None:
    with pytest.raises(InputError, match="A batch is accepted by somebody"):
        accept_batch(check_batch(write_batch(tmp_path / "b")), store, author=" ")


def test_working_images_are_reduced_copies_or_the_picture_itself(tmp_path: Path, store: Store) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "images/1.jpg").write_bytes(jpeg("large", width=960, height=540))
    accept(folder, store)
    table = open_version(store).table()
    large, small, _ = table["image_sha256"].to_pylist()
    assert working_image(store, large).shape == (360, 640, 3)
    assert working_image(store, small).shape == (32, 48, 3)
    copies = list((tmp_path / "store/working/640").rglob("*.jpg"))
    assert [path.stem for path in copies] == [large]
    copies[0].write_bytes(b"")
    assert working_image(store, large).shape == (360, 640, 3)


def test_a_near_duplicate_never_stands_in_two_roles(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", StoreSettings())
    for i in range(6):
        folder = write_batch(tmp_path / f"b{i}", trip_rows(f"T{i}", 1), {**FACTS, "trip": f"T{i}"})
        moment = scene_jpeg("one moment", quality=95 - 3 * i)
        (folder / "images/0-0.jpg").write_bytes(moment)
        accept(folder, store)
    rows = open_version(store).table().to_pylist()
    assert len({row["image_sha256"] for row in rows}) == 6
    used = {row["role"] for row in rows} - {"excluded"}
    assert used == {rows[0]["role"]}
    reasons = {row["excluded_reason"].partition(" picture ")[0] for row in rows if row["role"] == "excluded"}
    assert reasons == {"looks like"}
    last = open_version(store).entries[-1].id
    findings = json.loads((tmp_path / "store/batches" / last / "findings.json").read_text())["findings"]
    assert {finding["kind"] for finding in findings} == {"near-duplicate"}
    assert len(findings) == 5


def test_look_alikes_of_two_known_moments_keep_their_roles(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", StoreSettings())
    for i in range(5):
        day = f"2031-05-{11 + i}T20:00:00-04:00"
        rows = [{**row, "taken_at": day, "eventDate": day} for row in trip_rows(f"T{i}", 1)]
        folder = write_batch(tmp_path / f"b{i}", rows, {**FACTS, "trip": f"T{i}"})
        (folder / "images/0-0.jpg").write_bytes(scene_jpeg("a flume with nothing in it", quality=95 - 3 * i))
        accept(folder, store)
    found = Counter(open_version(store).table()["role"].to_pylist())
    assert found == {"train": 2, "cut": 2, "test": 1}


def scene_jpeg(key: str, quality: int) -> bytes:
    rng = np.random.default_rng(list(key.encode()))
    coarse = rng.integers(0, 256, (24, 32, 3), dtype=np.uint8)
    return simplejpeg.encode_jpeg(cv2.resize(coarse, (320, 240), interpolation=cv2.INTER_CUBIC), quality=quality)


def test_a_picture_changed_in_the_store_is_not_handed_out(tmp_path: Path, store: Store) -> None:
    accept(write_batch(tmp_path / "b"), store)
    sha256 = open_version(store).table()["image_sha256"][0].as_py()
    path = store.object_path(sha256)
    path.write_bytes(path.read_bytes() + b"x")
    with pytest.raises(InputError, match="Picture was changed in the store"):
        store.read_object(sha256)
