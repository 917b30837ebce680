"""Copies of a store: by any means while it rests, by our own while somebody writes."""

import shutil
from pathlib import Path

import pytest

from passage_cv.dataset import backup
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.backup import FOLDERS, copy_store
from passage_cv.dataset.readings import next_blind, record_reading
from passage_cv.dataset.storage import Storage
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.sweep import sweep_store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, jpeg, trip_rows, write_batch


def accept(folder: Path, trip: str, store: Store) -> None:
    write_batch(folder, trip_rows(trip, 2), {**FACTS, "trip": trip})
    (folder / "images/0-0.jpg").write_bytes(jpeg(trip, width=960, height=540))
    accept_batch(check_batch(folder), store, author="TBO")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    store = Store.create(tmp_path / "store", StoreSettings())
    for trip in ("T1", "T2"):
        accept(tmp_path / trip, trip, store)
    fish = next_blind(store, "ELQ")
    assert fish is not None
    record_reading(store, fish.token, reader="ELQ", name="BOW")
    return store


def files(root: Path) -> dict[str, bytes]:
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def require_goes_on(tmp_path: Path, copy: Path, store: Store) -> None:
    """A copy opens as the store does, is sound, and takes the next batch with the same roles as the store would."""
    opened = Store.open(copy)
    assert open_version(opened).table().equals(open_version(store).table())
    assert verify_store(opened).problems == ()
    for each in (opened, store):
        accept(tmp_path / "next", "T3", each)
    assert open_version(opened).table().equals(open_version(store).table())


def test_restored_from_a_plain_copy(tmp_path: Path, store: Store) -> None:
    shutil.copytree(tmp_path / "store", tmp_path / "copy")
    require_goes_on(tmp_path, tmp_path / "copy", store)


def test_our_copy_is_the_same_byte_for_byte_and_grows_by_what_is_new(tmp_path: Path, store: Store) -> None:
    first = copy_store(store, tmp_path / "copy")
    assert files(tmp_path / "copy") == files(tmp_path / "store")
    assert (first.n_copied, first.n_there) == (len(files(tmp_path / "store")), 0)
    assert copy_store(store, tmp_path / "copy").n_copied == 0
    accept(tmp_path / "T4", "T4", store)
    assert copy_store(store, tmp_path / "copy").n_copied > 0
    require_goes_on(tmp_path, tmp_path / "copy", store)


def test_a_copy_that_went_on_by_itself_is_left_alone(tmp_path: Path, store: Store) -> None:
    copy_store(store, tmp_path / "copy")
    accept(tmp_path / "T4", "T4", Store.open(tmp_path / "copy"))
    with pytest.raises(InputError, match="has a version 000003 of its own"):
        copy_store(store, tmp_path / "copy")
    accept(tmp_path / "T5", "T5", store)
    with pytest.raises(InputError, match="two histories cannot be joined"):
        copy_store(store, tmp_path / "copy")


def test_every_folder_of_a_store_is_copied(store: Store) -> None:
    there = {path.name for path in Path(store.storage.root).iterdir() if path.is_dir()}
    assert there <= set(FOLDERS)


def test_copied_in_the_middle_of_an_accept(tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    class Busy(Storage):
        """Somebody accepts a batch just when the heads have been listed."""

        def walk(self, folder: str):  # type: ignore[no-untyped-def]  # noqa: ANN202 - as in Storage
            if folder == "versions":
                accept(tmp_path / "T9", "T9", store)
            return super().walk(folder)

    before = open_version(store).name
    busy = Store(Busy(store.storage.files, store.storage.root), store.settings, store.settings_sha256)
    copy_store(busy, tmp_path / "copy")
    copy = Store.open(tmp_path / "copy")
    assert len(list_versions(store)) == 3
    assert open_version(copy).name == before
    found = verify_store(copy)
    assert found.problems == ()
    assert found.leftovers  # of the batch that was not yet named
    monkeypatch.setattr(backup, "FOLDERS", FOLDERS)
    copy_store(store, tmp_path / "copy")
    assert open_version(copy).table().equals(open_version(store).table())
    assert verify_store(copy).leftovers == ()
    assert sweep_store(copy, grace_hours=0).paths == ()


def test_a_copy_that_was_cut_short_is_no_store(tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    put, left = Storage.put, 10

    def stop(self: Storage, path: str, data: bytes, *, durable: bool = True) -> None:
        nonlocal left
        left -= 1
        if left < 0:
            raise OSError("disk full")
        put(self, path, data, durable=durable)

    monkeypatch.setattr(Storage, "put", stop)
    with pytest.raises(OSError, match="disk full"):
        copy_store(store, tmp_path / "copy")
    monkeypatch.undo()
    with pytest.raises(InputError, match="no store here"):
        Store.open(tmp_path / "copy")
    copy_store(store, tmp_path / "copy")
    assert files(tmp_path / "copy") == files(tmp_path / "store")


def test_no_store_is_copied_over_another(tmp_path: Path, store: Store) -> None:
    other = Store.create(tmp_path / "other", StoreSettings())
    accept(tmp_path / "b", "T7", other)
    with pytest.raises(InputError, match="of its own"):
        copy_store(store, tmp_path / "other")
    Store.create(tmp_path / "third", StoreSettings(seed=5))
    with pytest.raises(InputError, match="Another store is there"):
        copy_store(store, tmp_path / "third")


def test_no_store_is_copied_among_other_files(tmp_path: Path, store: Store) -> None:
    (tmp_path / "desk").mkdir()
    (tmp_path / "desk/letter.txt").write_text("Dear Tobias")
    with pytest.raises(InputError, match=r"something else: letter\.txt"):
        copy_store(store, tmp_path / "desk")
    assert set(files(tmp_path / "desk")) == {"letter.txt"}


def test_a_withdrawn_picture_leaves_the_earlier_copy_too(tmp_path: Path, store: Store) -> None:
    copy_store(store, tmp_path / "copy")
    row = open_version(store).table().to_pylist()[0]
    amend(store, "withdraw", images=[row["image_sha256"]], author="TBO", why="consent taken back")
    held = [path for path in files(tmp_path / "copy") if row["image_sha256"] in path]
    assert {path.partition("/")[0] for path in held} == {"objects", "working"}
    before = set(files(tmp_path / "copy"))
    done = copy_store(store, tmp_path / "copy")
    assert done.n_withdrawn == len(held)
    assert before - set(files(tmp_path / "copy")) == set(held)
    assert verify_store(Store.open(tmp_path / "copy")).problems == ()
    copy_store(store, tmp_path / "new")
    assert not [path for path in files(tmp_path / "new") if row["image_sha256"] in path]
