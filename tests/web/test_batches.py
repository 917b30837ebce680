"""The technician's way: facts, files, check, decisions, accept, receipt; and what may follow what."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from markupsafe import escape

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.files import sha256_file
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch, Decision, Job
from passage_cv.web.views.batches import OLDER_RECEIPTS_LACK
from tests.batches import FACTS, ROWS, jpeg, write_batch
from tests.web.conftest import Browser, Office, zip_of

SCRIPT = "<script>alert(1)</script>"


@pytest.fixture
def store(office: Office) -> Store:
    return Store.create(office.settings.store_root, StoreSettings())


@pytest.fixture
def technician(office: Office) -> Browser:
    return office.role(Role.TECHNICIAN)


def state(office: Office, batch: str) -> str:
    with office.server.sessions() as db:
        return db.get_one(Batch, batch).state


def checked(office: Office, technician: Browser, folder: Path) -> str:
    batch = technician.begin()
    technician.send_folder(batch, folder)
    assert technician.post(f"/batches/{batch}/check").status_code == 303
    assert office.work() == 1
    return batch


def test_from_first_fact_to_receipt(office: Office, technician: Browser, store: Store, tmp_path: Path) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    assert state(office, batch) == "checked"
    assert "Nothing to resolve" in technician.get(f"/batches/{batch}").text
    assert technician.post(f"/batches/{batch}/accept", reason="spring").status_code == 303
    assert office.work() == 1
    assert state(office, batch) == "accepted"
    info = list_versions(store)[-1]
    assert (info.author, info.reason) == ("technician", "spring")
    receipt = technician.get(f"/batches/{batch}/receipt").text
    assert info.name in receipt
    assert "2031-05-11-RKV-" in receipt
    assert info.name in technician.get("/batches").text
    assert len(open_version(store).table()) == len(ROWS)


def test_a_receipt_tells_what_came_from_where_and_what_was_decided(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    rows = [{**ROWS[0], "weight_g": "300"}, {**ROWS[1], "weight_g": "300"}, *ROWS[2:]]
    folder = write_batch(tmp_path / "trip", rows)
    batch = checked(office, technician, folder)
    for given in (
        {"kind": "correct", "column": "light", "row": "4", "value": "night", "why": "read again"},
        {"kind": "stand", "column": "weight for length", "row": "2", "value": "starved"},
    ):
        assert technician.post(f"/batches/{batch}/decisions", **given).status_code == 303
    technician.post(f"/batches/{batch}/check")
    office.work()
    technician.post(f"/batches/{batch}/accept")
    office.work()
    receipt = technician.get(f"/batches/{batch}/receipt").text
    told = technician.get(f"/api/batches/{batch}/receipt").json()["receipt"]
    assert told["findings"]
    assert [one["becomes"] for one in told["corrected"]] == ["night"]
    for text in (
        FACTS["trip"],
        FACTS["permit"],
        "read again",
        "starved",
        *(str(one["message"]) for one in told["findings"]),
    ):
        assert escape(text) in receipt
    arrived, by_us = receipt.split("Written by the check")
    for path in (one for one in folder.rglob("*") if one.is_file()):
        assert sha256_file(path) in arrived
    assert all(name in by_us for name in ("stated.json", "resolutions.toml"))
    assert "trip.toml" not in by_us


def test_the_page_of_a_batch_presses_what_is_to_be_done_next(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    rows = [{**ROWS[0], "length_mm": "long"}, *ROWS[1:]]
    stopped = checked(office, technician, write_batch(tmp_path / "trip", rows))
    page = technician.get(f"/batches/{stopped}").text
    assert "Findings that stop this batch: 1." in page
    assert f'<a class="button main" href="/batches/{stopped}/findings">' in page
    assert page.count('class="button main"') + page.count('class="main">') == 1
    clean = technician.get(f"/batches/{checked(office, technician, write_batch(tmp_path / 'other'))}").text
    assert "that stop this batch" not in clean
    assert 'class="button main"' not in clean


def test_a_zip_with_a_top_folder_is_a_batch(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    folder = write_batch(tmp_path / "trip")
    files = {f"trip/{path.relative_to(folder)}": path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    batch = technician.begin()
    technician.send(batch, "trip.zip", zip_of(files))
    technician.post(f"/batches/{batch}/check")
    office.work()
    with office.server.sessions() as db:
        assert db.get_one(Batch, batch).summary["pictures"] == len(ROWS)


def test_a_dropped_folder_keeps_its_name_on_top(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = technician.begin()
    folder = write_batch(tmp_path / "trip")
    for path in folder.rglob("*"):
        if path.is_file():
            technician.send(batch, f"trip/{path.relative_to(folder).as_posix()}", path.read_bytes())
    technician.post(f"/batches/{batch}/check")
    office.work()
    assert state(office, batch) == "checked"


def test_facts_of_the_form_hold_and_trip_toml_goes_before(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    folder = write_batch(tmp_path / "trip", facts={key: FACTS[key] for key in FACTS if key != "permit"})
    batch = technician.begin(permit="QMR-31-777", trip="another trip")
    technician.send_folder(batch, folder)
    technician.post(f"/batches/{batch}/check")
    office.work()
    technician.post(f"/batches/{batch}/accept")
    office.work()
    table = open_version(store).table()
    assert set(table["permit"].to_pylist()) == {"QMR-31-777"}
    assert set(table["trip"].to_pylist()) == {FACTS["trip"]}


def test_the_next_batch_knows_the_last_facts_but_not_its_day(technician: Browser) -> None:
    technician.begin(permit="QMR-31-001", trip="2031-05-11-RKV", recordedBy="RKV")
    page = technician.get("/batches/new").text
    assert 'value="QMR-31-001"' in page
    assert 'value="RKV"' in page
    assert "2031-05-11-RKV" not in page


def test_a_correction_a_left_out_picture_and_their_undoing(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    rows = [{**ROWS[0], "code": "NSX"}, *ROWS[1:]]
    batch = checked(office, technician, write_batch(tmp_path / "trip", rows))
    assert technician.post(f"/batches/{batch}/accept").status_code == 422
    page = technician.get(f"/batches/{batch}/findings").text
    assert "NSX" in page
    technician.post(f"/batches/{batch}/decisions", kind="correct", row="2", column="code", value="NSH", back="1/#0")
    technician.post(f"/batches/{batch}/decisions", kind="exclude", image="images/3.jpg", value="cut off by the frame")
    assert state(office, batch) == "open"
    assert technician.post(f"/batches/{batch}/accept").status_code == 422
    technician.post(f"/batches/{batch}/check")
    office.work()
    assert "Nothing to resolve" in technician.get(f"/batches/{batch}").text
    with office.server.sessions() as db:
        exclude = db.query(Decision).filter(Decision.kind == "exclude").one().id
    technician.post(f"/batches/{batch}/decisions/{exclude}/undo")
    technician.post(f"/batches/{batch}/check")
    office.work()
    technician.post(f"/batches/{batch}/accept")
    office.work()
    table = open_version(store).table()
    assert table["code"].to_pylist() == ["NSH", "NSH", "BOW"]
    received = office.settings.data / "batches" / batch / "received" / "sheet.csv"
    assert b"NSX" in received.read_bytes()


def test_a_left_out_picture_stands_on_the_receipt_with_its_reason(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    technician.post(f"/batches/{batch}/decisions", kind="exclude", image="images/3.jpg", value="two fish in view")
    technician.post(f"/batches/{batch}/check")
    office.work()
    technician.post(f"/batches/{batch}/accept")
    office.work()
    assert "two fish in view" in technician.get(f"/batches/{batch}/receipt").text


def test_accepting_before_the_data_set_is_begun_says_who_can_begin_it(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    technician.post(f"/batches/{batch}/accept")
    office.work()
    assert state(office, batch) == "checked"
    assert "Ask a researcher to begin it" in technician.get(f"/batches/{batch}").text


def test_a_batch_without_a_sheet_says_so_and_can_go_on(office: Office, technician: Browser) -> None:
    batch = technician.begin()
    technician.send(batch, "images/1.jpg", jpeg("one"))
    technician.post(f"/batches/{batch}/check")
    office.work()
    assert state(office, batch) == "open"
    page = technician.get(f"/batches/{batch}").text
    assert "A batch needs one sheet" in page
    assert str(office.settings.data) not in page


def test_setting_aside_keeps_everything(office: Office, technician: Browser, store: Store, tmp_path: Path) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    assert technician.post(f"/batches/{batch}/aside").status_code == 303
    assert technician.post(f"/batches/{batch}/accept").status_code == 422
    technician.post(f"/batches/{batch}/take-up")
    technician.post(f"/batches/{batch}/check")
    office.work()
    technician.post(f"/batches/{batch}/accept")
    office.work()
    assert state(office, batch) == "accepted"
    assert technician.post(f"/batches/{batch}/aside").status_code == 422
    assert technician.send(batch, "late.jpg", b"x").status_code == 422


def test_accepting_twice_and_checking_twice_does_it_once(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    assert technician.post(f"/batches/{batch}/accept").status_code == 303
    assert technician.post(f"/batches/{batch}/accept").status_code == 422
    assert technician.post(f"/batches/{batch}/check").status_code == 422
    office.work()
    assert len(list_versions(store)) == 1


def test_a_picture_is_served_as_what_it_is_and_nothing_else(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    folder = write_batch(tmp_path / "trip")
    (folder / "images" / "page.jpg").write_text(f"<html>{SCRIPT}")
    batch = checked(office, technician, folder)
    answer = technician.get(f"/batches/{batch}/pictures/images/1.jpg")
    assert answer.headers["content-type"] == "image/jpeg"
    for name in ("images/page.jpg", "sheet.csv", "trip.toml", "..%2f..%2fcheck.json", "%2e%2e/x"):
        assert technician.get(f"/batches/{batch}/pictures/{name}").status_code in {404, 422}, name


def test_script_in_every_text_stays_text(office: Office, technician: Browser, store: Store, tmp_path: Path) -> None:
    rows = [{**ROWS[0], "scientificName": SCRIPT, "individual": SCRIPT}, *ROWS[1:]]
    batch = technician.begin(name=SCRIPT, permit=SCRIPT, recordedBy=SCRIPT)
    technician.send_folder(batch, write_batch(tmp_path / "trip", rows))
    technician.post(f"/batches/{batch}/check")
    office.work()
    technician.post(f"/batches/{batch}/decisions", kind="note", row="2", value=SCRIPT)
    boss = office.role(Role.ADMINISTRATOR)
    pages = [technician.get(path).text for path in ("/batches", f"/batches/{batch}", f"/batches/{batch}/findings",
                                                    "/batches/new", "/jobs")]  # fmt: skip
    pages.append(boss.get("/deeds").text)
    assert all(SCRIPT not in page for page in pages)
    assert sum("&lt;script&gt;" in page for page in pages) >= 5


def test_formulas_are_disarmed_in_the_exported_table(office: Office, technician: Browser, tmp_path: Path) -> None:
    rows = [{**ROWS[0], "image": "=HYPERLINK(1).jpg"}, *ROWS[1:]]
    folder = write_batch(tmp_path / "trip", rows)
    (folder / "=HYPERLINK(1).jpg").unlink()
    batch = checked(office, technician, folder)
    text = technician.get(f"/batches/{batch}/findings.csv").text
    cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
    assert any("HYPERLINK" in cell for cell in cells)
    assert not any(cell.startswith(("=", "+", "@")) for cell in cells)


@pytest.mark.parametrize(
    "fields",
    [
        {"kind": "exclude", "image": "", "value": "x"},
        {"kind": "exclude", "image": "images/1.jpg", "value": " "},
        {"kind": "correct", "row": "1", "column": "code", "value": "NSH"},
        {"kind": "correct", "row": "2", "column": "no such", "value": "NSH"},
        {"kind": "correct", "row": "x", "column": "code", "value": "NSH"},
        {"kind": "note", "value": ""},
        {"kind": "delete everything"},
    ],
)
def test_decisions_that_say_nothing_are_refused(technician: Browser, fields: dict[str, str]) -> None:
    assert technician.post(f"/batches/{technician.begin()}/decisions", **fields).status_code == 422


def test_a_correction_of_a_row_that_is_not_there_is_refused(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    fields = {"kind": "correct", "column": "code", "value": "NSH"}
    assert technician.post(f"/batches/{batch}/decisions", row="99", **fields).status_code == 422
    assert state(office, batch) == "checked"


def test_a_correction_whose_cell_has_changed_is_said_at_the_check(
    office: Office, technician: Browser, tmp_path: Path
) -> None:
    folder = write_batch(tmp_path / "trip", [{**ROWS[0], "code": "NSX"}, *ROWS[1:]])
    batch = checked(office, technician, folder)
    technician.post(f"/batches/{batch}/decisions", kind="correct", row="2", column="code", value="NSH")
    technician.send(batch, "sheet.csv", (folder / "sheet.csv").read_bytes().replace(b"NSX", b"BOW"))
    technician.post(f"/batches/{batch}/check")
    office.work()
    assert "correction without its cell" in technician.get(f"/batches/{batch}/findings").text


def test_blank_rows_keep_the_row_numbers_of_the_crews_sheet(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    folder = write_batch(tmp_path / "trip")
    lines = (folder / "sheet.csv").read_text().splitlines()
    (folder / "sheet.csv").write_text("\n".join([lines[0], lines[1], ",,,,", *lines[2:]]) + "\n")
    batch = checked(office, technician, folder)
    technician.post(f"/batches/{batch}/decisions", kind="correct", row="5", column="length_mm", value="520")
    technician.post(f"/batches/{batch}/check")
    office.work()
    technician.post(f"/batches/{batch}/accept")
    office.work()
    table = open_version(store).table()
    assert table["length_mm"].to_pylist() == [480, 480, 520]
    assert table["row"].to_pylist() == [2, 4, 5]


@pytest.mark.parametrize("back", ["//evil.example", "1/#0\r\nSet-Cookie: x=1", "x/y#z", "1/must resolve#3"])
def test_the_way_back_leads_nowhere_else(technician: Browser, back: str) -> None:
    batch = technician.begin()
    answer = technician.post(f"/batches/{batch}/decisions", kind="note", row="2", value="seen", back=back)
    assert answer.headers["location"].startswith(f"/batches/{batch}/findings")
    assert "\n" not in answer.headers["location"]


def test_a_researcher_sees_a_batch_but_does_not_decide(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    researcher = office.role(Role.RESEARCHER)
    assert researcher.get(f"/batches/{batch}/findings").status_code == 200
    assert researcher.post(f"/batches/{batch}/accept").status_code == 403
    both = office.role(Role.RESEARCHER, Role.TECHNICIAN)
    assert both.post(f"/batches/{batch}/accept").status_code == 404


def test_a_check_lost_with_its_server_starts_again(office: Office, technician: Browser, tmp_path: Path) -> None:
    batch = technician.begin()
    technician.send_folder(batch, write_batch(tmp_path / "trip"))
    technician.post(f"/batches/{batch}/check")
    with office.server.sessions.begin() as db:
        job = db.query(Job).one()
        job.state, job.lease_until, job.starts = "running", "2020-01-01T00:00:00.000+00:00", 1
    assert office.work() == 1
    assert state(office, batch) == "checked"


def test_a_batch_that_is_sent_twice_changes_nothing_and_says_so(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    said = "which is in the data set already: nothing is changed by it"
    folder = write_batch(tmp_path / "trip")
    for n in range(2):
        batch = technician.begin()
        technician.send_folder(batch, folder)
        technician.post(f"/batches/{batch}/check")
        office.work()
        assert (said in technician.get(f"/batches/{batch}").text) == (n == 1)
        technician.post(f"/batches/{batch}/accept")
        office.work()
        for page in ("", "/receipt"):
            assert (said in technician.get(f"/batches/{batch}{page}").text) == (n == 1)
    assert len(open_version(store).record.batches) == 1


def test_a_receipt_kept_by_an_older_version_is_shown(
    office: Office, technician: Browser, store: Store, tmp_path: Path
) -> None:
    batch = checked(office, technician, write_batch(tmp_path / "trip"))
    technician.post(f"/batches/{batch}/accept")
    office.work()
    with office.server.sessions.begin() as db:
        kept = db.get_one(Batch, batch)
        kept.receipt = {name: value for name, value in kept.receipt.items() if name not in OLDER_RECEIPTS_LACK}
        kept.sheet = {name: value for name, value in kept.sheet.items() if name != "kept"}
    for page in ("", "/receipt"):
        assert technician.get(f"/batches/{batch}{page}").status_code == 200
