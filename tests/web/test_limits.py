"""Nobody may ask without end: people, scripts and addresses are told how long to wait, and nothing is changed."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from httpx import Response

from passage_cv.web import accounts
from passage_cv.web.limits import PER_ADDRESS, Limits
from passage_cv.web.people import Role
from passage_cv.web.routes import ROUTES
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Job, Upload, User
from tests.web.conftest import Browser, Office

MakeOffice = Callable[..., Office]


def refused_for_a_while(answer: Response) -> None:
    assert answer.status_code == 429
    wait_s = int(answer.headers["retry-after"])
    assert 1 <= wait_s <= 61
    assert f"Wait {wait_s} seconds" in answer.text


def test_pieces_of_files(make_office: MakeOffice) -> None:
    office = make_office(uploads_per_minute=2)
    technician, other = office.role(Role.TECHNICIAN), office.browser(office.person("Elq", Role.TECHNICIAN))
    batch, theirs = technician.begin(), other.begin()
    assert [technician.send(batch, f"{n}.jpg", b"x").status_code for n in range(2)] == [201, 201]
    refused_for_a_while(technician.send(batch, "2.jpg", b"x"))
    assert other.send(theirs, "1.jpg", b"x").status_code == 201
    assert technician.get(f"/batches/{batch}").status_code == 200
    with office.server.sessions() as db:
        assert db.query(Upload).filter(Upload.batch_id == batch).count() == 2


def test_work_for_the_queue_is_counted_together(make_office: MakeOffice) -> None:
    office = make_office(work_per_minute=2)
    researcher = office.role(Role.RESEARCHER)
    for path in ("/models", "/cutoffs/try"):
        assert researcher.post(path).status_code != 429
    answer = researcher.post("/models/compare")
    refused_for_a_while(answer)
    assert "<h1>That was refused</h1>" in answer.text
    assert researcher.get("/models").status_code == 200
    with office.server.sessions() as db:
        assert db.query(Job).count() == 0


def test_scripts(make_office: MakeOffice) -> None:
    office = make_office(scripts_per_minute=3)
    headers = {"authorization": f"Bearer {_token(office)}"}
    client = Browser(office).client
    assert [client.get("/api/me", headers=headers).status_code for _ in range(3)] == [200] * 3
    answer = client.get("/api/me", headers=headers)
    refused_for_a_while(answer)
    assert set(answer.json()) == {"what", "where", "do"}
    assert office.role(Role.TECHNICIAN).get("/api/me").status_code == 200


def _token(office: Office) -> str:
    office.role(Role.TECHNICIAN)
    with office.server.sessions.begin() as db:
        return accounts.make_token(db, db.query(User).one(), "night script")


def test_forms_and_tokens_made(make_office: MakeOffice) -> None:
    office = make_office(changes_per_minute=2)
    technician = office.role(Role.TECHNICIAN)
    assert [technician.post("/account/tokens", name=f"t{n}").status_code for n in range(3)] == [200, 200, 429]


@pytest.mark.parametrize("guess", ["token", "invitation", "signed in"])
def test_guesses_are_counted_by_address(make_office: MakeOffice, guess: str) -> None:
    office = make_office(sign_ins_per_5_min=2)
    signed_in, nobody = office.role(Role.TECHNICIAN), Browser(office)
    page = nobody.get("/sign-in").text
    mark = re.search(r'name="mark" value="(\w+)"', page)
    assert mark

    def ask() -> int:
        if guess == "token":
            return nobody.client.get("/api/me", headers={"authorization": "Bearer no-such"}).status_code
        if guess == "invitation":
            return nobody.client.post("/join/no-such", data={"mark": mark[1], "name": "E"}).status_code
        return signed_in.post("/sign-in", name="Ada", password="wrong password").status_code

    first, second, third = ask(), ask(), ask()
    assert first == second != 429
    assert third == 429


def test_one_address_has_eight_persons_worth() -> None:
    limits = Limits(WebSettings(data="x", work_per_minute=1))  # type: ignore[arg-type]
    waits = [limits.wait_s("work", person, "192.0.2.1") for person in range(PER_ADDRESS + 1)]
    assert waits[:-1] == [0.0] * PER_ADDRESS
    assert waits[-1] > 0
    assert limits.wait_s("work", 99, "192.0.2.2") == 0


def test_a_page_and_its_script_are_counted_alike() -> None:
    pages = {one.path: one.starts_work for one in ROUTES if one.method == "POST"}
    twins = {path: path.removeprefix("/api") for path in pages if path.removeprefix("/api") in pages}
    assert {path for path, page in twins.items() if pages[path] != pages[page]} == set()
