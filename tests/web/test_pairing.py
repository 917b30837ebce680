"""The timeline on the page: proposed by itself, corrected, undone, confirmed; and never a page that is too old."""

from __future__ import annotations

from pathlib import Path

import pytest

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.web import pairing
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch
from tests.batches import write_batch
from tests.web.conftest import Browser, Office
from tests.web.night import write_night
from tests.web.test_batches import checked, state


@pytest.fixture
def technician(office: Office) -> Browser:
    return office.role(Role.TECHNICIAN)


def root(office: Office, batch: str) -> Path:
    return office.settings.data / "batches" / batch


def rows(office: Office, batch: str) -> list[tuple[int | None, int]]:
    """Line and number of pictures of each series."""
    timeline = pairing.current(root(office, batch))[1]
    assert timeline
    return [(one.row, len(one.images)) for one in timeline.series]


def edit(technician: Browser, batch: str, at: int, name: str, **fields: object) -> int:
    return technician.post(f"/batches/{batch}/pairing", at=at, edit=name, **fields).status_code


def test_an_evening_is_paired_confirmed_and_kept(office: Office, technician: Browser, tmp_path: Path) -> None:
    store = Store.create(office.settings.store_root, StoreSettings())
    batch = checked(office, technician, write_night(tmp_path / "night", 4))
    assert "4 series" in technician.get(f"/batches/{batch}").text
    page = technician.get(f"/batches/{batch}/pairing").text
    assert page.count('class="finding series"') == 4
    assert technician.get(f"/batches/{batch}/thumbnails/{_thumbnail(page)}").headers["content-type"] == "image/jpeg"
    assert technician.post(f"/batches/{batch}/accept").status_code == 422
    assert technician.post(f"/batches/{batch}/pairing/confirm", at=0).status_code == 303
    office.work()
    assert "technician confirmed which pictures" in technician.get(f"/batches/{batch}").text
    technician.post(f"/batches/{batch}/accept")
    office.work()
    assert state(office, batch) == "accepted"
    assert open_version(store).table()["row"].to_pylist() == [2, 2, 3, 3, 4, 4, 5, 5]


def _thumbnail(page: str) -> str:
    return page.partition("/thumbnails/")[2].partition('"')[0]


def test_a_skipped_frame_is_mended_by_one_shift(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = checked(office, technician, write_night(tmp_path / "night", 5, skipped=(2,)))
    before = rows(office, batch)
    assert [row for row, _ in before] == [2, 3, 4, 5]
    assert edit(technician, batch, 0, "down", series=2) == 303
    assert [row for row, _ in rows(office, batch)] == [2, 3, 5, 6]
    assert technician.post(f"/batches/{batch}/pairing/undo", at=1).status_code == 303
    assert rows(office, batch) == before
    assert technician.post(f"/batches/{batch}/pairing/undo", at=0).status_code == 422


def test_every_edit_of_the_page(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = checked(office, technician, write_night(tmp_path / "night", 3))
    steps = [
        ("later", {"series": 1}, [(2, 3), (3, 1), (4, 2)]),
        ("earlier", {"series": 1}, [(2, 2), (3, 2), (4, 2)]),
        ("join", {"series": 1}, [(2, 4), (4, 2)]),
        ("split", {"series": 0, "picture": 2}, [(2, 2), (None, 2), (4, 2)]),
        ("assign", {"series": 1, "row": 3}, [(2, 2), (3, 2), (4, 2)]),
        ("aside", {"image": "IMG_0006.jpg", "why": "hand in view"}, [(2, 2), (3, 2), (4, 1)]),
        ("back", {"image": "IMG_0006.jpg"}, [(2, 2), (3, 2), (4, 2)]),
        ("up", {"series": 2}, [(2, 2), (3, 2), (3, 2)]),
    ]
    for at, (name, fields, wanted) in enumerate(steps):
        assert edit(technician, batch, at, name, **fields) == 303, name
        assert rows(office, batch) == wanted, name
    page = technician.get(f"/batches/{batch}/pairing?only=doubtful").text
    assert page.count('class="finding series"') == 2


def test_a_slate_and_a_clock_are_told_by_hand(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = checked(office, technician, write_night(tmp_path / "night", 3))
    clock = {"image": "IMG_0001.jpg", "shown": "2031-05-11T21:00:00"}
    assert edit(technician, batch, 0, "clock", **clock) == 303
    timeline = pairing.current(root(office, batch))[1]
    assert timeline
    assert list(timeline.clocks.values()) == [3600.0]
    assert edit(technician, batch, 1, "slate", image="IMG_0003.jpg", number="2") == 303


@pytest.mark.parametrize(
    ("name", "fields"),
    [
        ("later", {"series": "9"}),
        ("later", {"series": "x"}),
        ("aside", {"image": "no such.jpg", "why": "x"}),
        ("aside", {"image": "IMG_0001.jpg", "why": " "}),
        ("assign", {"series": "0", "row": "99"}),
        ("burn", {}),
    ],
)
def test_edits_that_make_nonsense_change_nothing(
    office: Office, technician: Browser, tmp_path: Path, name: str, fields: dict[str, str]
) -> None:
    batch = checked(office, technician, write_night(tmp_path / "night", 2))
    assert edit(technician, batch, 0, name, **fields) == 422
    assert pairing.current(root(office, batch))[0] == 0


def test_a_page_that_is_too_old_changes_nothing(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = checked(office, technician, write_night(tmp_path / "night", 3))
    assert edit(technician, batch, 0, "later", series=1) == 303
    assert edit(technician, batch, 0, "later", series=1) == 422
    assert technician.post(f"/batches/{batch}/pairing/confirm", at=0).status_code == 422
    assert technician.post(f"/batches/{batch}/pairing/confirm", at=1).status_code == 303
    office.work()
    assert edit(technician, batch, 1, "later", series=1) == 422


def test_pictures_that_come_later_are_paired_as_long_as_nobody_touched_it(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    folder = write_night(tmp_path / "night", 3)
    batch = technician.begin()
    late = [folder / "IMG_0005.jpg", folder / "IMG_0006.jpg"]
    for path in folder.iterdir():
        if path not in late:
            technician.send(batch, path.name, path.read_bytes())
    technician.post(f"/batches/{batch}/check")
    office.work()
    assert len(rows(office, batch)) == 2
    for path in late:
        technician.send(batch, path.name, path.read_bytes())
    technician.post(f"/batches/{batch}/check")
    office.work()
    assert len(rows(office, batch)) == 3
    technician.post(f"/batches/{batch}/pairing/confirm", at=0)
    office.work()
    assert technician.post(f"/batches/{batch}/pairing/anew").status_code == 303
    office.work()
    assert not pairing.is_confirmed(root(office, batch))


def test_a_batch_that_names_its_pictures_has_no_timeline(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    assert technician.get(f"/batches/{batch}/pairing").status_code == 404
    with office.server.sessions() as db:
        assert db.get_one(Batch, batch).sheet["pairing"] == {}


def test_only_the_owner_edits(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = checked(office, technician, write_night(tmp_path / "night", 2))
    assert office.role(Role.RESEARCHER).get(f"/batches/{batch}/pairing").status_code == 200
    office.person("Eve", Role.TECHNICIAN)
    eve = office.browser("Eve")
    assert eve.get(f"/batches/{batch}/pairing").status_code == 404
    assert edit(eve, batch, 0, "later", series=1) == 404
    assert pairing.current(root(office, batch))[0] == 0
