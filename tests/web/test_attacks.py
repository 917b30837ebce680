"""What somebody may try: each of it is refused, and the data folder and the database stay as they were."""

from __future__ import annotations

import csv
import io
import re
import stat
import zipfile
from base64 import b64encode
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
from _pytest.mark.structures import ParameterSet
from httpx import Response
from sqlalchemy import update

from passage_cv.web import accounts
from passage_cv.web.ask import COOKIE
from passage_cv.web.people import ANYONE, Role
from passage_cv.web.routes import ROUTES, Route
from passage_cv.web.routes_api import SCRIPTS
from passage_cv.web.tables import Batch, Job, Made, Token, User
from tests.batches import ROWS, jpeg, write_batch
from tests.web.conftest import PASSWORD, Browser, Office, zip_of
from tests.web.fields import example
from tests.web.fingerprint import nothing_changes
from tests.web.script import token_of
from tests.web.test_accounts import sign_in
from tests.web.test_batches import checked

MakeOffice = Callable[..., Office]
CHANGES = [one for one in ROUTES if one.method not in {"GET", "HEAD", "OPTIONS"}]
WORK = ("jobs ", "deeds ", "file data/logs/")
"""What a job that was refused leaves: that it was asked for, and its log."""


def some_quick(cases: Iterable[str], *quick: str) -> list[ParameterSet]:
    """Every case, those that are not named only among the slow tests."""
    return [pytest.param(one, id=repr(one), marks=() if one in quick else pytest.mark.slow) for one in cases]


# zips


def link_in_a_zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        link = zipfile.ZipInfo("link")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        packed.writestr(link, "/etc/passwd")
    return out.getvalue()


def lying_zip() -> bytes:
    """A member that is longer than the table of contents says."""
    return zip_of({"a.bin": bytes(range(256)) * 100}).replace((25_600).to_bytes(4, "little"), b"\x10\0\0\0")


ZIPS = {
    "slip": lambda: zip_of({"sheet.csv": b"image\n", "../../../planted.txt": b"x"}),
    "slip from the root": lambda: zip_of({"/planted.txt": b"x"}),
    "slip with backslashes": lambda: zip_of({"..\\..\\planted.txt": b"x"}),
    "slip to a drive": lambda: zip_of({"C:\\planted.txt": b"x"}),
    "hidden keys": lambda: zip_of({".ssh/authorized_keys": b"x"}),
    "a link out": link_in_a_zip,
    "a bomb": lambda: zip_of({"bomb.jpg": b"\0" * (4 << 20)}),
    "many small bombs": lambda: zip_of({f"{n}.jpg": b"\0" * 900_000 for n in range(30)}),
    "too many files": lambda: zip_of({f"{n}.jpg": b"" for n in range(60)}),
    "a size that lies": lying_zip,
    "two files of one name": lambda: zip_of({"a.jpg": b"1", "A.jpg": b"2"}),
}


@pytest.mark.parametrize("name", some_quick(ZIPS, "slip", "a link out", "a bomb"))
def test_zip(make_office: MakeOffice, name: str) -> None:
    office = make_office(batch_bytes=20_000_000, batch_files=50)
    technician = office.role(Role.TECHNICIAN)
    batch = technician.begin()
    assert technician.send(batch, "trip.zip", ZIPS[name]()).status_code == 201
    with nothing_changes(office, but=(*WORK, "/".join(("file data", "batches", batch, "work", "")))):
        technician.post(f"/batches/{batch}/check")
        office.work()
    with office.server.sessions() as db:
        assert db.query(Job).one().refusal["what"]
    names = {path.name for path in (office.settings.data / "batches" / batch).rglob("*") if path.is_file()}
    assert names <= {"trip.zip"}


# paths


TRICKS = ("../../web.sqlite", "../../secret", "/etc/passwd", "images/../../../../secret", "..\\..\\secret", ".hidden",
          "a\x00.jpg", "C:/secret", "con.jpg", "//elsewhere/secret", "~/secret", "a/./../../../secret")  # fmt: skip


def test_path_tricks_in_names_of_files(office: Office) -> None:
    technician = office.role(Role.TECHNICIAN)
    batch = technician.begin()
    with nothing_changes(office):
        for name in TRICKS:
            assert technician.send(batch, name, b"x").status_code == 422, name
        assert technician.send(f"{batch}/../{batch}", "a.jpg", b"x").status_code == 404


@pytest.mark.slow
def test_path_tricks_in_every_address(office: Office, tmp_path: Path) -> None:
    everybody = office.role(*Role)
    known = {"batch_id": checked(office, everybody, write_batch(tmp_path / "trip")), "made_id": _enter_report(office)}
    secret = office.server.secret
    with nothing_changes(office):
        for route in ROUTES:
            for address in _tricked(route, known):
                answer = everybody.call(route.method, address)
                assert answer.status_code in {303, 400, 403, 404, 405, 415, 422}, (route, address)
                assert answer.status_code != 303 or route.path.startswith("/join"), (route, address)
                assert secret not in answer.text
                assert "SQLite format" not in answer.text
                assert "root:" not in answer.text


def _tricked(route: Route, known: dict[str, str]) -> Iterator[str]:
    """Addresses with a trick in each part in turn, the other parts naming what is there."""
    parts = re.findall(r"\{(\w+)(?::path)?\}", route.path)
    for part in parts:
        for trick in ("..%2f..%2fweb.sqlite", "%2e%2e/%2e%2e/secret", "....//secret", "%2fetc%2fpasswd", "a%00b",
                      "..%5c..%5csecret"):  # fmt: skip
            values = {name: known.get(name, "0" * 12) for name in parts} | {part: trick}
            yield re.sub(r"\{(\w+)(?::path)?\}", lambda at, values=values: values[at[1]], route.path)  # type: ignore[misc]


def _enter_report(office: Office) -> str:
    place = office.settings.data / "made" / "report" / "r"
    place.mkdir(parents=True)
    (place / "report.html").write_text("<p>report")
    with office.server.sessions.begin() as db:
        db.add(Made(id="e" * 12, kind="report", title="r", path="made/report/r", sources={}, facts={}, who="t"))
    return "e" * 12


# formulas


def is_formula(cell: str) -> bool:
    """Whether a spreadsheet would compute it (OWASP, CSV injection): a sign before anything but a number."""
    return bool(re.match(r"[=+\-@\t\r]", cell)) and not re.fullmatch(r"[+-]?[\d.]+(e[+-]?\d+)?", cell)


@pytest.mark.parametrize("start", some_quick(("=", "+", "-", "@", "\t=", "\r="), "="))
def test_formula_in_an_exported_table(office: Office, tmp_path: Path, start: str) -> None:
    technician = office.role(Role.TECHNICIAN)
    evil = f"{start}HYPERLINK(1).jpg"
    folder = write_batch(tmp_path / "trip", [{**ROWS[0], "code": evil}, {**ROWS[1], "image": evil}, *ROWS[2:]])
    (folder / evil).unlink(missing_ok=True)
    batch = checked(office, technician, folder)
    for path in (f"/batches/{batch}/findings.csv", f"/api/batches/{batch}/findings.csv"):
        answer = technician.get(path)
        assert "attachment" in answer.headers["content-disposition"]
        cells = [cell for row in csv.reader(io.StringIO(answer.text)) for cell in row]
        assert any("HYPERLINK" in cell for cell in cells)
        assert not [cell for cell in cells if is_formula(cell)]


# tokens

ENDED = ("expired", "ended", "owner switched off", "owner got a new password")

FORGED: dict[str, Callable[[str], str]] = {
    "none": lambda token: token[:0],
    "only its mark": lambda token: token[:4],
    "cut short": lambda token: token[:-1],
    "one letter changed": lambda token: token[:-1] + ("A" if token[-1] != "A" else "B"),
    "longer": lambda token: token + "A",
    "without its mark": lambda token: token.removeprefix("pcv_"),
    "its hash": lambda token: "pcv_" + accounts.sha256_bytes(token.encode()),
    "in capitals": lambda token: token.upper(),
    "a question to the database": lambda token: token[:4] + "' OR '1'='1",
}


@pytest.mark.parametrize("name", some_quick(FORGED, "one letter changed"))
def test_forged_token(make_office: MakeOffice, name: str) -> None:
    office = make_office(sign_ins_per_5_min=100_000)
    token = token_of(office, *Role)["authorization"].removeprefix("Bearer ")
    refuses_everything(office, {"authorization": f"Bearer {FORGED[name](token)}"})


def refuses_everything(office: Office, headers: dict[str, str], cookies: dict[str, str] | None = None) -> None:
    """Every route for somebody says that it knows nobody; an open one shows what it shows everybody."""
    client = Browser(office).client
    client.cookies.update(cookies or {})
    with nothing_changes(office):
        for route in ROUTES:
            if route.who != ANYONE:
                answer = client.request(route.method, re.sub(r"\{[^}]+\}", "0" * 12, route.path), headers=headers)
                assert answer.status_code in {401, 403, 303}, (route, answer.status_code)
                assert answer.status_code != 303 or answer.headers["location"] == "/sign-in"


@pytest.mark.parametrize("how", some_quick(ENDED, "owner got a new password"))
def test_token_that_was_one(make_office: MakeOffice, how: str) -> None:
    office = make_office(sign_ins_per_5_min=100_000)
    headers = token_of(office, *Role)
    assert Browser(office).get("/api/me", headers=headers).status_code == 200
    with office.server.sessions.begin() as db:
        owner = db.query(User).one()
        if how == "expired":
            db.execute(update(Token).values(ends_at="2020-01-01T00:00:00.000+00:00"))
        elif how == "ended":
            db.query(Token).delete()
        elif how == "owner switched off":
            accounts.switch(db, owner, active=False)
        else:
            accounts.join(db, accounts.invite(db, owner.name, list(Role)), owner.name, "other words at dusk")
    refuses_everything(office, headers)


def test_token_after_its_owner_has_other_roles(office: Office) -> None:
    headers = token_of(office, Role.TECHNICIAN)
    with office.server.sessions.begin() as db:
        db.query(User).one().roles = [Role.ENGINEER]
    client = Browser(office).client
    with nothing_changes(office):
        assert client.post("/api/batches", headers=headers, json={"name": "x"}).status_code == 403
        assert client.get("/api/people", headers=headers).status_code == 403
    assert client.get("/api/releases", headers=headers).status_code == 200


@pytest.mark.slow
def test_secrets_of_one_kind_are_none_of_another(make_office: MakeOffice) -> None:
    office = make_office(sign_ins_per_5_min=100_000)
    visit, token = office.role(*Role).secret, token_of(office, *Role)["authorization"].removeprefix("Bearer ")
    refuses_everything(office, {"authorization": f"Bearer {visit}"})
    refuses_everything(office, {"authorization": f"Bearer pcv_{visit}"})
    refuses_everything(office, {}, cookies={COOKIE: token})


def test_token_of_somebody_else_gives_no_more_than_theirs(office: Office) -> None:
    batch = office.role(Role.TECHNICIAN).begin()
    office.person("Eve", Role.TECHNICIAN)
    eve = office.browser("Eve")
    with office.server.sessions.begin() as db:
        owner = db.query(User).filter(User.name == "Eve").one()
        headers = {"authorization": f"Bearer {accounts.make_token(db, owner, 'x')}", COOKIE: eve.secret}
    with nothing_changes(office):
        assert eve.client.get(f"/api/batches/{batch}", headers=headers).status_code == 404
        assert eve.client.post(f"/api/batches/{batch}/aside", headers=headers).status_code == 404


# visits

PLANTED = ("planted-by-somebody-else", "A" * 43, "' OR '1'='1")


@pytest.mark.parametrize("planted", some_quick(PLANTED, "planted-by-somebody-else"))
def test_session_fixation(make_office: MakeOffice, planted: str) -> None:
    office = make_office(sign_ins_per_5_min=100_000)
    office.person("Ada", *Role)
    victim = Browser(office, planted)
    answer = sign_in(office, "Ada", PASSWORD, victim)
    assert answer.status_code == 303
    (given,) = re.findall(rf"{COOKIE}=([^;]+)", answer.headers["set-cookie"])
    assert given != planted
    refuses_everything(office, {}, cookies={COOKIE: planted})
    mark = accounts.form_mark(office.server.secret, planted)  # what the attacker's own page of ours showed
    refuses_everything(office, {"x-form-mark": mark}, cookies={COOKIE: planted})


@pytest.mark.slow
def test_cookie_from_before_signing_out(office: Office) -> None:
    browser = office.role(*Role)
    kept, mark = browser.secret, browser.mark
    browser.post("/sign-out")
    refuses_everything(office, {"x-form-mark": mark}, cookies={COOKIE: kept})


def test_form_of_somebody_else(office: Office) -> None:
    everybody = office.role(*Role)
    office.person("Eve", *Role)
    theirs = office.browser("Eve").mark
    with nothing_changes(office):
        for route in CHANGES:
            address = re.sub(r"\{[^}]+\}", "0" * 12, route.path)
            headers = {"x-form-mark": theirs}
            assert everybody.client.request(route.method, address, headers=headers).status_code == 403, route


# batches of others


OF_A_BATCH = [one for one in ROUTES if "{batch_id}" in one.path]


@pytest.fixture
def document(office: Office) -> dict[str, Any]:
    return office.app.openapi()


def ask_as(browser: Browser, route: Route, known: dict[str, str], document: dict[str, Any]) -> Response:
    """A request as its owner would send it: with what is there, and a body that fits."""
    address = re.sub(r"\{(\w+)(?::path)?\}", lambda at: known.get(at[1], "1"), route.path)
    if route.path.endswith("/keying/compare"):
        address += "?image=sheet.jpg"
    body = None
    if route in SCRIPTS and route.method == "POST":
        said = document["paths"][route.path]["post"].get("requestBody")
        body = example(document, said["content"]["application/json"]["schema"], known) if said else None
    if route in SCRIPTS:
        return browser.call(route.method, address, json=body)
    fields = {name: known[name] for name in ("kind", "row", "value", "image")}
    return browser.call(route.method, address, data=fields)


def test_somebody_elses_batch(office: Office, document: dict[str, Any], tmp_path: Path) -> None:
    """A technician sees and changes own batches; a researcher sees all of them; nobody else is let in."""
    owner = office.role(Role.TECHNICIAN)
    batch = checked(office, owner, write_batch(tmp_path / "trip"))
    owner.send(batch, "sheet.jpg", jpeg("paper"))
    owner.post(f"/batches/{batch}/decisions", kind="note", row="2", value="seen")
    known = {"batch_id": batch, "decision_id": "1", "name": "images/1.jpg", "image": "sheet.jpg", "kind": "note",
             "row": "2", "value": "mine now"}  # fmt: skip
    eve = office.browser(office.person("Eve", Role.TECHNICIAN))
    curious = office.role(Role.RESEARCHER)
    both = office.browser(office.person("Elq", Role.RESEARCHER, Role.TECHNICIAN))
    others = [office.role(Role.ENGINEER), office.role(Role.ADMINISTRATOR)]
    with nothing_changes(office):
        for route in OF_A_BATCH:
            assert ask_as(eve, route, known, document).status_code == 404, route
            for other in others:
                assert ask_as(other, route, known, document).status_code == 403, route
            if route.method != "GET" or Role.RESEARCHER not in route.who:
                assert ask_as(curious, route, known, document).status_code == 403, route
                assert ask_as(both, route, known, document).status_code == 404, route
    seen = {route.path for route in OF_A_BATCH if route.method == "GET" and Role.RESEARCHER in route.who}
    empty = {path for path in seen if path.endswith(("/receipt", "/pairing", "/thumbnails/{name:path}"))}
    for route in OF_A_BATCH:
        if route.path in seen - empty and route.method == "GET":
            assert ask_as(curious, route, known, document).status_code == 200, route


def test_work_and_files_of_somebody_elses_batch(office: Office, tmp_path: Path) -> None:
    owner = office.role(Role.TECHNICIAN)
    batch = checked(office, owner, write_batch(tmp_path / "trip"))
    begun = owner.call("POST", "/uploads", headers=_announced(batch)).headers["location"]
    with office.server.sessions() as db:
        job, name = db.query(Job).one().id, db.get_one(Batch, batch).name
    eve = office.browser(office.person("Eve", Role.TECHNICIAN))
    with nothing_changes(office):
        for path in (
            f"/jobs/{job}",
            f"/jobs/{job}/state",
            f"/jobs/{job}/log",
            f"/api/jobs/{job}",
            f"/api/jobs/{job}/log",
        ):
            assert eve.get(path).status_code == 404, path
        for path in (f"/jobs/{job}/stop", f"/api/jobs/{job}/stop"):
            assert eve.call("POST", path).status_code == 404, path
        assert eve.call("POST", "/uploads", headers=_announced(batch)).status_code == 404
        for method in ("HEAD", "PATCH", "DELETE"):
            assert eve.call(method, begun, headers={"upload-offset": "0"}, content=b"x").status_code == 404, method
        for path in ("/batches", "/jobs", "/batches/new", "/keying", "/api/batches", "/api/jobs"):
            assert batch not in eve.get(path).text
            assert name not in eve.get(path).text


def _announced(batch: str) -> dict[str, str]:
    pairs = {"batch": batch, "filename": "late.bin"}
    metadata = ",".join(f"{key} {b64encode(value.encode()).decode()}" for key, value in pairs.items())
    return {"upload-length": "10", "upload-metadata": metadata}
