"""A sheet on paper: keyed from its picture, read again blind, compared cell by cell, and then any sheet."""

from __future__ import annotations

from pathlib import Path

import pytest

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.web.people import Role
from passage_cv.web.tables import Keying
from tests.batches import FACTS, jpeg
from tests.web.conftest import Browser, Office
from tests.web.night import write_night
from tests.web.test_batches import state

PAPER = "tablet/20310511T2200-1.jpg"
READ = [("1", "NSH", "480"), ("2", "BOW", "510")]


@pytest.fixture
def technician(office: Office) -> Browser:
    return office.role(Role.TECHNICIAN)


@pytest.fixture
def second(office: Office) -> Browser:
    return office.browser(office.person("Elq", Role.TECHNICIAN))


@pytest.fixture
def batch(technician: Browser, tmp_path: Path) -> str:
    """Four pictures of two fish and one of the paper; no sheet."""
    batch = technician.begin(**{key: FACTS[key] for key in FACTS}, length_type="TL")
    for path in write_night(tmp_path / "night", 2).glob("*.jpg"):
        technician.send(batch, path.name, path.read_bytes())
    technician.send(batch, PAPER, jpeg("paper", width=80, height=60))
    return batch


def cells(read: list[tuple[str, str, str]]) -> dict[str, str]:
    columns = ("individual", "code", "length_mm")
    return {f"{n}-{column}": cell for n, row in enumerate(read) for column, cell in zip(columns, row, strict=True)}


def key(technician: Browser, batch: str, read: list[tuple[str, str, str]]) -> int:
    return technician.post(f"/batches/{batch}/keying", image=PAPER, **cells(read)).status_code


def test_a_paper_sheet_becomes_a_batch(office: Office, technician: Browser, batch: str) -> None:
    store = Store.create(office.settings.store_root, StoreSettings())
    page = technician.get(f"/batches/{batch}/keying?image={PAPER}").text
    assert f"/batches/{batch}/pictures/{PAPER}" in page
    assert technician.get(f"/batches/{batch}/pictures/{PAPER}").headers["content-type"] == "image/jpeg"
    assert key(technician, batch, READ) == 303
    assert 'value="NSH"' in technician.get(f"/batches/{batch}/keying?image={PAPER}").text
    technician.post(f"/batches/{batch}/check")
    office.work()
    assert technician.post(f"/batches/{batch}/pairing/confirm", at=0).status_code == 303
    office.work()
    technician.post(f"/batches/{batch}/accept")
    office.work()
    assert state(office, batch) == "accepted", technician.get(f"/batches/{batch}/findings").text
    table = open_version(store).table()
    assert sorted(zip(table["code"].to_pylist(), table["purpose"].to_pylist(), strict=True)) == [
        ("", "sheet"),
        *[("BOW", "gate view")] * 2,
        *[("NSH", "gate view")] * 2,
    ]


def test_two_readers_who_differ_are_compared(
    office: Office, technician: Browser, second: Browser, batch: str
) -> None:
    key(technician, batch, READ)
    assert technician.post(f"/batches/{batch}/keying/second", image=PAPER).status_code == 303
    assert key(technician, batch, READ) == 422
    assert technician.post(f"/batches/{batch}/check").status_code == 422
    assert "No sheet waits" in technician.get("/keying").text
    assert f"{PAPER}: a second reader was asked" in technician.get(f"/batches/{batch}").text
    with office.server.sessions() as db:
        number = db.query(Keying).one().id
    page = second.get(f"/keying/{number}").text
    assert not any(f'value="{cell}"' in page for row in READ for cell in row[1:])
    assert second.get(f"/keying/{number}/picture").headers["content-type"] == "image/jpeg"
    assert second.get(f"/batches/{batch}/keying").status_code == 404
    assert second.post(f"/keying/{number}", **cells([READ[0], ("2", "BCF", "510")])).status_code == 303
    assert second.get(f"/keying/{number}").status_code == 404
    assert technician.post(f"/batches/{batch}/check").status_code == 422
    page = technician.get(f"/batches/{batch}").text
    assert f"{PAPER}: two readers differ" in page
    assert f"/batches/{batch}/keying/compare?image={PAPER}" in page
    page = technician.get(f"/batches/{batch}/keying/compare?image={PAPER}").text
    assert page.count("<legend>") == 1
    assert "BCF" in page
    compare = f"/batches/{batch}/keying/compare"
    assert technician.post(compare, image=PAPER).status_code == 422
    assert technician.post(compare, image=PAPER, **{"1-code": "second"}).status_code == 303
    with office.server.sessions() as db:
        made = db.query(Keying).one()
    assert (made.first[1]["code"], made.second_by, made.state) == ("BCF", "Elq", "settled")
    assert technician.post(f"/batches/{batch}/check").status_code == 303


def test_nothing_is_confirmed_or_accepted_while_a_second_reader_is_at_it(
    office: Office, technician: Browser, second: Browser, batch: str
) -> None:
    Store.create(office.settings.store_root, StoreSettings())
    key(technician, batch, READ)
    technician.post(f"/batches/{batch}/check")
    office.work()
    ask, confirm = f"/batches/{batch}/keying/second", f"/batches/{batch}/pairing/confirm"
    technician.post(ask, image=PAPER)
    assert technician.post(confirm, at=0).status_code == 422
    assert "This pairing is confirmed" not in technician.get(f"/batches/{batch}/pairing").text
    with office.server.sessions() as db:
        number = db.query(Keying).one().id
    second.post(f"/keying/{number}", **cells(READ))
    assert technician.post(confirm, at=0).status_code == 303
    office.work()
    with office.server.sessions.begin() as db:
        db.query(Keying).one().state = ""
    technician.post(ask, image=PAPER)
    assert technician.post(f"/batches/{batch}/accept").status_code == 422
    assert state(office, batch) == "checked"


def test_two_readers_who_agree_need_no_comparison(
    office: Office, technician: Browser, second: Browser, batch: str
) -> None:
    key(technician, batch, READ)
    technician.post(f"/batches/{batch}/keying/second", image=PAPER)
    with office.server.sessions() as db:
        number = db.query(Keying).one().id
    assert technician.get(f"/keying/{number}").status_code == 404
    assert second.post(f"/keying/{number}").status_code == 422
    second.post(f"/keying/{number}", **cells(READ))
    assert technician.post(f"/batches/{batch}/check").status_code == 303


def test_keying_beside_a_sheet_or_from_no_picture_is_refused(technician: Browser, batch: str) -> None:
    fields = {"image": "no such.jpg", **cells(READ)}
    assert technician.post(f"/batches/{batch}/keying", **fields).status_code == 422
    assert technician.post(f"/batches/{batch}/keying/second", image=PAPER).status_code == 404
    technician.send(batch, "sheet.csv", b"image,individual,code\n")
    assert key(technician, batch, READ) == 422


def test_script_in_cells_facts_and_initials_stays_text(
    office: Office, technician: Browser, second: Browser, batch: str
) -> None:
    script = "<script>alert(1)</script>"
    key(technician, batch, [("1", script, "480")])
    technician.post(f"/batches/{batch}/facts", permit=script, recordedBy=script)
    technician.post("/account/initials", initials="<b>x</b>")
    technician.post(f"/batches/{batch}/keying/second", image=PAPER)
    second.post("/keying/1", **cells([("1", script * 2, "480")]))
    pages = [f"/batches/{batch}", f"/batches/{batch}/keying?image={PAPER}", "/account"]
    pages.append(f"/batches/{batch}/keying/compare?image={PAPER}")
    texts = [technician.get(page).text for page in pages]
    assert not any(script in text or "<b>x" in text for text in texts)
    assert sum("&lt;script&gt;" in text for text in texts) == 3
