"""A second reader sees a fish without its label, never one of his own, and every word is kept."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from passage_cv.dataset.readings import readings_of
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.intake.resolutions import Resolutions
from passage_cv.web.decisions import as_resolutions
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch, Decision
from tests.batches import trip_rows, write_batch
from tests.web.conftest import Browser, Office

_SIGNERS = ((2, "Elin"), (3, "Tomas"))
LABELS = ("Channa argus", "Amia calva", "NSH", "BOW", "2031-05-11")


@pytest.fixture
def reader(office: Office) -> Browser:
    """A technician with initials, and a data set of four fish that RKV identified."""
    assert office.role(Role.RESEARCHER).post("/data", unit="trip").status_code == 303
    return office.role(Role.TECHNICIAN)


def bring(office: Office, technician: Browser, folder: Path, **decision: str) -> None:
    batch = technician.begin(identifiedBy="RKV")
    technician.send_folder(batch, folder)
    if decision:
        technician.post(f"/batches/{batch}/check")
        office.work()
        assert technician.post(f"/batches/{batch}/decisions", **decision).status_code == 303
    for step in ("check", "accept"):
        technician.post(f"/batches/{batch}/{step}")
        office.work()
    with office.server.sessions() as db:
        assert db.get_one(Batch, batch).state == "accepted"


def test_fish_come_without_their_label_until_none_is_left(office: Office, reader: Browser, tmp_path: Path) -> None:
    bring(office, reader, write_batch(tmp_path / "trip", trip_rows("T1", 4)))
    assert "Say first which initials" in reader.get("/readings").text
    reader.post("/account/initials", initials="ELQ")
    for n in (4, 3, 2, 1):
        page = reader.get("/readings").text
        assert (f"{n} fish are left for ELQ" if n > 1 else "1 fish is left for ELQ") in page
        main = page[page.index('<form method="post" action="/readings"') - 900 :].partition("<datalist")[0]
        assert not any(label in main for label in LABELS)
        token = re.search(r'name="token" value="(\w+)"', page)
        picture = re.search(r'src="(/pictures/\w{64})"', page)
        assert token
        assert picture
        assert reader.get(picture[1]).headers["content-type"] == "image/jpeg"
        name = "NSH" if n > 1 else ""
        assert reader.post("/readings", token=token[1], name=name, note="").status_code == 303
        assert reader.post("/readings", token=token[1], name="BOW").status_code == 422
    assert "No fish is left for ELQ" in reader.get("/readings").text
    store = Store.open(office.settings.store_root)
    assert [one.reader for one in readings_of(store)] == ["ELQ"] * 4
    page = office.role(Role.RESEARCHER).get("/readings/agreement").text
    assert "of 3 fish were read as labelled. Could not be told: 1;" in page


def test_nobody_reads_his_own_fish_again(office: Office, reader: Browser, tmp_path: Path) -> None:
    bring(office, reader, write_batch(tmp_path / "trip", trip_rows("T1", 4)))
    reader.post("/account/initials", initials="RKV")
    assert "No fish is left for RKV" in reader.get("/readings").text


def test_a_disputed_fish_comes_first_and_not_to_who_decided(office: Office, reader: Browser, tmp_path: Path) -> None:
    reader.post("/account/initials", initials="ELQ")
    said = {"kind": "correct", "row": "9", "column": "code", "value": "NSH", "why": "scales on the head"}
    bring(office, reader, write_batch(tmp_path / "trip", trip_rows("T1", 12)), **said)
    store = Store.open(office.settings.store_root)
    (disputed,) = [row["image_sha256"] for row in open_version(store).table().to_pylist() if row["row"] == 9]
    assert "11 fish are left for ELQ" in reader.get("/readings").text
    other = office.role(Role.RESEARCHER)
    other.post("/account/initials", initials="HAN")
    for n, name in ((12, ""), (11, "NSH")):  # who cannot tell it leaves it to the next reader
        page = other.get("/readings").text
        assert f"{n} fish are left for HAN" in page
        assert (disputed in page) is (n == 12)
        assert not [word for word in ("disputed", "scales on the head") if word in page]
        token = re.search(r'name="token" value="(\w+)"', page)
        assert token
        assert other.post("/readings", token=token[1], name=name, note="").status_code == 303
    admin = office.role(Role.RESEARCHER, Role.TECHNICIAN)
    admin.post("/account/initials", initials="QUA")
    page = admin.get("/readings").text
    assert disputed in page
    token = re.search(r'name="token" value="(\w+)"', page)
    assert token
    admin.post("/readings", token=token[1], name="BOW", note="")
    drawn = {one.individual: one.drawn for one in readings_of(store)}
    assert sorted(drawn.values()) == [False, True]
    third = office.role(Role.TECHNICIAN, Role.ENGINEER)
    third.post("/account/initials", initials="MOR")
    assert disputed not in third.get("/readings").text


def test_decisions_are_signed_with_the_initials_of_the_sheet() -> None:
    """Else nobody could tell that who decides is who had named the fish."""
    decided = [Decision(kind="stand", row=n, image="", column="mark", value="seen", who=who) for n, who in _SIGNERS]
    signed = as_resolutions(decided, Resolutions(), {"Elin": "ELQ"}).let_stand
    assert [one.who for one in signed] == ["Elin; ELQ", "Tomas"]


def test_initials_are_one_persons(office: Office, reader: Browser) -> None:
    reader.post("/account/initials", initials="ELQ")
    other = office.role(Role.RESEARCHER)
    assert other.post("/account/initials", initials="ELQ").status_code == 422
    assert other.post("/account/initials", initials="X" * 13).status_code == 422
    assert other.post("/account/initials", initials="").status_code == 303


@pytest.mark.parametrize("name", ["0" * 64, "x", "A" * 64])
def test_only_pictures_of_the_data_set_are_shown(reader: Browser, name: str) -> None:
    assert reader.get(f"/pictures/{name}").status_code in {404, 422}
