"""The timeline on the page: proposed by itself, corrected, undone, confirmed; and never a page that is too old."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.files import write_json
from passage_cv.intake.timeline import PairLine, Series, Shot, Timeline, decode_timeline, encode_timeline
from passage_cv.web import pairing
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch
from passage_cv.web.views.pairing import MOST_OFFERED, _free, _near
from tests.batches import write_batch
from tests.web.conftest import Browser, Office
from tests.web.night import START, write_night
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
    steps: list[tuple[str, dict[str, object], list[tuple[int | None, int]]]] = [
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


def write_late_night(folder: Path, n: int) -> Path:
    """A night whose lines say when each fish was in hand; the camera's clock is an hour behind them."""
    write_night(folder, n, every_s=300)
    head, *fish = (folder / "sheet.csv").read_text().split()
    times = [(START + timedelta(hours=1, seconds=300 * i)).isoformat() for i in range(n)]
    timed = [f"{line},{at}" for line, at in zip(fish, times, strict=True)]
    (folder / "sheet.csv").write_text("\n".join([f"{head},taken_at", *timed]) + "\n")
    return folder


def test_a_camera_an_hour_behind_is_shifted_before_anything_is_confirmed(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    batch = checked(office, technician, write_late_night(tmp_path / "night", 14))
    page = technician.get(f"/batches/{batch}/pairing").text
    assert "may be 1:00 behind the sheet" in page
    assert "pairing/confirm" not in page
    refused = technician.post(f"/batches/{batch}/pairing/confirm", at=0)
    assert refused.status_code == 422
    assert "in doubt" in refused.text
    shift = {"camera": "Pool camera 1", "by": "1:00", "side": "behind"}
    assert edit(technician, batch, 0, "offset", **shift) == 422  # nobody said how it is known
    assert edit(technician, batch, 0, "offset", **shift, why="never set to summer time") == 303
    assert rows(office, batch) == [(row, 2) for row in range(2, 16)]
    page = technician.get(f"/batches/{batch}/pairing").text
    assert "+1:00 added" in page
    assert "never set to summer time" in page
    assert technician.post(f"/batches/{batch}/pairing/confirm", at=1).status_code == 303


def test_a_doubt_may_be_answered_and_the_pairing_confirmed_all_the_same(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    batch = checked(office, technician, write_late_night(tmp_path / "night", 14))
    at = 0
    while doubts := technician.get(f"/api/batches/{batch}/pairing").json()["doubts"]:
        given = {"doubt": doubts[0]["said"], "why": "times were written afterwards"}
        assert edit(technician, batch, at, "answer", **given) == 303
        at += 1
    assert at
    assert technician.post(f"/batches/{batch}/pairing/confirm", at=at).status_code == 303


@pytest.mark.parametrize(
    ("name", "fields"),
    [
        ("offset", {"camera": "Pool camera 1", "by": "an hour", "why": "seen"}),
        ("offset", {"camera": "another", "by": "1:00", "why": "seen"}),
        ("answer", {"doubt": "no such", "why": "x"}),
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


def long_timeline(n: int) -> Timeline:
    """``n`` fish of two pictures each, every second line without pictures."""
    lines = tuple(PairLine(i + 2, f"E1/{i}", "E1", str(i), "bowfin") for i in range(2 * n))
    shots = tuple(Shot(f"images/{i}.jpg") for i in range(2 * n))
    series = tuple(Series((shots[2 * i].image, shots[2 * i + 1].image), lines[2 * i].row) for i in range(n))
    return Timeline(lines, shots, series)


def test_a_series_is_offered_the_nearest_of_very_many_lines() -> None:
    free = _free(long_timeline(300))
    assert len(free) == 300
    for row in (2, 300, 601, None):
        offered = _near(free, row)
        assert len(offered) == MOST_OFFERED
        farthest = max(abs(line.row - (row or 0)) for line in offered)
        left_out = [line for line in free if line not in offered]
        assert min(abs(line.row - (row or 0)) for line in left_out) >= farthest - 2  # every second line is free
    assert _near(free[:7], 300) == free[:7]


def test_a_state_is_read_as_it_was_kept_also_by_an_earlier_program(tmp_path: Path) -> None:
    timeline = long_timeline(3)
    assert decode_timeline(encode_timeline(timeline)) == timeline
    write_json(tmp_path / "pairing" / "0000.json", timeline.as_dict())
    assert pairing.current(tmp_path) == (0, timeline)
    changed = pairing.edit(tmp_path, 0, "join", {"series": "1"})
    assert pairing.current(tmp_path) == (1, changed)
    assert pairing.undo(tmp_path, 1) == timeline
    assert pairing.edit(tmp_path, 0, "join", {"series": "2"}) != changed
    assert pairing.current(tmp_path)[1] != changed
