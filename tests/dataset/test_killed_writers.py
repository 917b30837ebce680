"""A writer killed at any step leaves a store that is sound, and the next writer finishes the work."""

import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.permit_counts import permit_use
from passage_cv.dataset.registers import register_of
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.sweep import sweep_store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, jpeg, trip_rows, write_batch
from tests.dataset.killing import accept_and_die, start_dying, was_killed
from tests.intake.test_permits import PERMIT

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill a writer at a chosen step")


def test_killed_at_every_write_step(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", StoreSettings())
    first = write_batch(tmp_path / "T1", trip_rows("T1", 2), {**FACTS, "trip": "T1"})
    accept_batch(check_batch(first), store, author="TBO")
    folder = write_batch(tmp_path / "T2", trip_rows("T2", 2), {**FACTS, "trip": "T2"})
    (folder / "images/0-0.jpg").write_bytes(jpeg("large", width=960, height=540))
    (folder / "permits.toml").write_text(PERMIT)
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
    assert step > 30  # 2 pictures, 1 reduced copy, segment, 5 files, 2 facts, version, head, receipt
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
    assert list(register_of(open_version(store)).permits) == ["QMR-31-001"]
    assert {one.species: one.handled for one in permit_use(open_version(store))} == {
        "Channa argus": 2,
        "Amia calva": 2,
    }
    assert list(root.glob("batches/T2-*/receipt-*.html"))
    return n_versions


def test_a_withdrawal_killed_at_every_write_step_can_be_finished(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", StoreSettings())
    folder = write_batch(tmp_path / "T1", trip_rows("T1", 2, views=2), {**FACTS, "trip": "T1"})
    accept_batch(check_batch(folder), store, author="TBO")
    step, n_left, killed = 0, set(), True
    while killed:
        step += 1
        root = tmp_path / f"at-{step}"
        shutil.copytree(tmp_path / "store", root)
        copy = Store.open(root)
        killed = was_killed(start_dying(lambda copy=copy: withdraw(copy), root, step))  # type: ignore[misc]
        problems = verify_store(copy).problems
        assert all(problem.endswith("is still there; run versions sweep --remove") for problem in problems)
        n_left.add(len(problems))
        if len(list_versions(copy)) == 1:
            withdraw(copy)
        sweep_store(copy, now=datetime.now(UTC) + timedelta(hours=30), remove=True)
        found = verify_store(copy)
        assert (found.problems, found.leftovers, found.n_withdrawn) == ((), (), 2)
        shutil.rmtree(root)
    assert n_left == {0, 1, 2}  # killed before it counted, and before each of the two files was gone


def withdraw(store: Store) -> None:
    amend(store, "withdraw", individual="T1-1/0", author="ELQ", why="consent taken back")


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
