"""A writer killed at any step leaves a store that is sound, and the next writer finishes the work."""

import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.sweep import sweep_store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, jpeg, trip_rows, write_batch
from tests.dataset.killing import accept_and_die

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill a writer at a chosen step")


def test_killed_at_every_write_step(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", StoreSettings())
    first = write_batch(tmp_path / "T1", trip_rows("T1", 2), {**FACTS, "trip": "T1"})
    accept_batch(check_batch(first), store, author="TBO")
    folder = write_batch(tmp_path / "T2", trip_rows("T2", 2), {**FACTS, "trip": "T2"})
    (folder / "images/0-0.jpg").write_bytes(jpeg("large", width=960, height=540))
    batch = check_batch(folder)
    step, states = 0, set()
    killed = True
    while killed:
        step += 1
        root = tmp_path / f"at-{step}"
        shutil.copytree(tmp_path / "store", root)
        killed = accept_and_die(batch, root, step)
        states.add(_check_and_finish(root, batch))
        shutil.rmtree(root)
    assert step > 25  # 2 pictures, 1 reduced copy, segment, 4 files, facts, version, head, receipt
    assert states == {1, 2}  # killed before and after the head counted


def _check_and_finish(root: Path, batch) -> int:  # noqa: ANN001 - a checked batch
    """Whole with or without the batch; accepting again completes it; returns the versions there were."""
    store = Store.open(root)
    found = verify_store(store)
    assert found.problems == ()
    n_versions = len(list_versions(store))
    assert open_version(store).table().num_rows == 2 * n_versions
    receipt = accept_batch(batch, store, author="ELQ")
    assert receipt.changed is (n_versions == 1)
    assert len(list_versions(store)) == 2
    assert open_version(store).table().num_rows == 4
    later = datetime.now(UTC) + timedelta(hours=30)
    sweep_store(store, now=later, remove=True)
    after = verify_store(store)
    assert (after.problems, after.leftovers) == ((), ())
    assert not list(root.rglob(".part-*"))
    assert len(list(root.glob("batches/T2-*/receipt-*.json"))) == 1
    assert list(root.glob("batches/T2-*/receipt-*.html"))
    return n_versions


def test_a_sweep_leaves_writers_at_work_alone_and_takes_no_named_file(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(write_batch(tmp_path / "T1", trip_rows("T1", 3), FACTS)), store, author="TBO")
    before = sorted(path for path in (tmp_path / "store").rglob("*") if path.is_file())
    orphan = store.put_object(b"a picture of a refused batch", "jpg")
    assert sweep_store(store, remove=True).paths == ()
    later = datetime.now(UTC) + timedelta(hours=25)
    told = sweep_store(store, now=later)
    assert told.paths == (f"objects/{orphan[:2]}/{orphan}.jpg",)
    assert store.find_object(orphan)
    assert sweep_store(store, now=later, remove=True).n_bytes == 28
    assert sorted(path for path in (tmp_path / "store").rglob("*") if path.is_file()) == before
