"""A page that would keep its reader waiting says so, and shows what it has when that is worked out."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from passage_cv.dataset import readings
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.blind import fish_of
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import latest_version, open_version
from passage_cv.intake.check import check_batch
from passage_cv.web import patience, remembered, second_reader
from passage_cv.web.patience import NotReadyYet, soon
from passage_cv.web.people import Role
from passage_cv.web.tables import Job
from tests.batches import FACTS, trip_rows, write_batch
from tests.web.conftest import Office


def test_a_value_is_made_once_and_waited_for_a_moment_only() -> None:
    may_end, made = threading.Event(), []
    key = object()

    def make() -> int:
        made.append(may_end.wait(30))
        return 7

    for _ in range(3):
        with pytest.raises(NotReadyYet):
            soon(key, make, patience_s=0.01)
    may_end.set()
    assert soon(key, make, patience_s=30) == 7
    assert soon(key, make, patience_s=0) == 7
    assert made == [True]


def test_what_failed_is_tried_again() -> None:
    answers: Iterator[int | ValueError] = iter([ValueError("disk"), 5])

    def make() -> int:
        found = next(answers)
        if isinstance(found, ValueError):
            raise found
        return found

    key = object()
    with pytest.raises(ValueError, match="disk"):
        soon(key, make, patience_s=30)
    assert soon(key, make, patience_s=30) == 5


def bring(store: Store, folder: Path, *trips: str) -> None:
    for trip in trips:
        rows = write_batch(folder / trip, trip_rows(trip, 3, views=2), {**FACTS, "trip": trip})
        accept_batch(check_batch(rows), store, author="TBO")


def test_a_page_of_a_new_version_says_that_it_is_being_prepared(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store.create(office.settings.store_root, StoreSettings())
    bring(store, tmp_path, "T1")
    researcher, may_end = office.role(Role.RESEARCHER), threading.Event()
    counted = remembered._hold
    monkeypatch.setattr(remembered, "_hold", lambda version: may_end.wait(60) and counted(version))
    address = f"/data/{open_version(store).name}"
    page = researcher.get(address)
    assert page.status_code == 202
    assert "It appears here by itself" in page.text
    assert f'hx-get="{address}"' in page.text
    may_end.set()
    while (page := researcher.get(address)).status_code == 202:
        pass
    assert "Amia calva" in page.text


def test_leaks_of_a_large_version_are_looked_for_by_work_of_their_own(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Store.create(office.settings.store_root, StoreSettings())
    monkeypatch.setattr(remembered, "AT_ONCE", 1)
    technician, researcher = office.role(Role.TECHNICIAN), office.role(Role.RESEARCHER)
    batch = technician.begin()
    technician.send_folder(batch, write_batch(tmp_path / "T1", trip_rows("T1", 2)))
    for step in ("check", "accept"):
        technician.post(f"/batches/{batch}/{step}")
        office.work()
    address = f"/data/{open_version(Store.open(office.settings.store_root)).name}/leaks"
    assert "being looked through" in researcher.get(address).text
    office.work()
    with office.server.sessions() as db:
        assert [job.state for job in db.query(Job).filter(Job.kind == "leaks")] == ["done"]
    assert "Nothing is shared that must not be" in researcher.get(address).text


def test_a_reading_reads_the_parts_of_its_fish_and_no_reading_twice(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store.create(office.settings.store_root, StoreSettings())
    bring(store, tmp_path, "T1", "T2", "T3")
    newest, looked_at = latest_version(store), []
    assert newest

    def counted(version: object, *, parts: set[str] | None = None, **more: object) -> object:
        looked_at.append(parts)
        return fish_of(version, parts=parts, **more)  # type: ignore[arg-type]

    first = second_reader.next_fish(office.settings, store, "ELQ")
    assert first
    monkeypatch.setattr(readings, "fish_of", counted)
    second_reader.keep_reading(office.settings, store, first.token, reader="ELQ", name="BOW", note="")
    assert [len(parts or ()) for parts in looked_at] == [1]
    assert len(readings.readings_of(store)) == 1
    monkeypatch.setattr(type(store.storage), "read", lambda *_: pytest.fail("read a file anew"))
    assert [one.reader for one in readings.readings_of(store)] == ["ELQ"]


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "IN_MEMORY", 3)
    for i in range(10):
        assert soon(("bounded", i), lambda i=i: i, patience_s=30) == i  # type: ignore[misc]
    assert len(patience._FINISHED) == 3
