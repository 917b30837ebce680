"""Joining, signing in, locking, tokens, and the cookie."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from argon2 import PasswordHasher, Type
from fastapi import FastAPI
from httpx import Response
from typer.testing import CliRunner

from passage_cv.cli.serve import app as serve_command
from passage_cv.errors import InputError
from passage_cv.web import accounts
from passage_cv.web.app import first_link
from passage_cv.web.limits import RateLimit
from passage_cv.web.people import Role
from passage_cv.web.routes import ROUTES
from passage_cv.web.settings import read_environment
from passage_cv.web.tables import Deed, Job, User, Visit, utc
from passage_cv.web.views import account, research
from tests.web.conftest import PASSWORD, Browser, Office

HASHER: PasswordHasher = vars(accounts)["_hasher"]
"""The one of the application, before these tests take a quick one."""


def sign_in(office: Office, name: str, password: str, client: Browser | None = None) -> Response:
    browser = client or Browser(office)
    page = browser.get("/sign-in").text
    mark = re.search(r'name="mark" value="(\w+)"', page)
    assert mark
    return browser.client.post("/sign-in", data={"mark": mark[1], "name": name, "password": password})


def test_the_first_link_makes_an_administrator_once(office: Office) -> None:
    link, browser = first_link(office.app), Browser(office)
    mark = re.search(r'name="mark" value="(\w+)"', browser.get(link).text)
    assert mark
    fields = {"mark": mark[1], "name": "Ada", "password": PASSWORD}
    assert browser.client.post(link, data=fields).status_code == 303
    assert browser.get("/people").status_code == 200
    assert browser.get(link).status_code == 422
    assert first_link(office.app) == ""


def test_a_newer_first_link_ends_the_older(office: Office) -> None:
    older, newer = first_link(office.app), first_link(office.app)
    assert Browser(office).get(older).status_code == 422
    assert Browser(office).get(newer).status_code == 200


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(office: Office) -> None:
    office.person("Ada", Role.TECHNICIAN)
    cookie = sign_in(office, "Ada", PASSWORD).headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Secure" not in cookie


def test_under_tls_the_cookie_is_secure(make_office: Callable[..., Office]) -> None:
    office = make_office(https=True)
    office.person("Ada", Role.TECHNICIAN)
    answer = sign_in(office, "Ada", PASSWORD, _over_tls(office))
    assert "Secure" in answer.headers["set-cookie"]
    assert "max-age" in answer.headers["strict-transport-security"]


def _over_tls(office: Office) -> Browser:
    browser = Browser(office)
    browser.client.base_url = "https://testserver"  # type: ignore[assignment]
    return browser


def test_a_cookie_from_before_signing_in_is_worth_nothing_afterwards(office: Office) -> None:
    office.person("Ada", Role.TECHNICIAN)
    planted = Browser(office, "planted-by-somebody-else")
    answer = sign_in(office, "Ada", PASSWORD, planted)
    assert answer.status_code == 303
    assert "planted" not in answer.headers["set-cookie"]
    assert Browser(office, "planted-by-somebody-else").get("/batches").status_code == 303


def test_signing_out_ends_this_visit_alone_and_all_of_them_only_when_asked(office: Office) -> None:
    one, tablet, other = (office.role(Role.TECHNICIAN) for _ in range(3))
    assert one.post("/sign-out").status_code == 303
    assert one.get("/batches").status_code == 303
    assert tablet.get("/batches").status_code == 200  # and it goes on sending
    assert tablet.send(tablet.begin(), "a.jpg", b"a").status_code == 201
    assert "Sign out everywhere" in other.get("/account").text
    assert other.post("/account/sign-out").headers["location"] == "/sign-in"
    assert [each.get("/batches").status_code for each in (tablet, other)] == [303, 303]


def test_a_person_changes_the_password_and_stays_signed_in_here_alone(office: Office) -> None:
    here, there = office.role(Role.TECHNICIAN), office.role(Role.TECHNICIAN)
    fresh = "a heron at the weir"
    here.post("/account/tokens", name="nightly")
    assert here.post("/account/password", old="not this one", new=fresh).status_code == 422
    with office.server.sessions() as db:
        assert db.query(User).one().failures == 1
    assert here.post("/account/password", old=PASSWORD, new="short").status_code == 422
    assert sign_in(office, "technician", PASSWORD).status_code == 303
    answer = here.post("/account/password", old=PASSWORD, new=fresh)
    assert (answer.status_code, "The password is changed" in answer.text) == (200, True)
    assert "nightly" not in answer.text
    assert (here.get("/batches").status_code, there.get("/batches").status_code) == (200, 303)
    assert sign_in(office, "technician", PASSWORD).status_code == 401
    assert sign_in(office, "technician", fresh).status_code == 303


def test_a_new_link_for_a_person_keeps_the_roles(office: Office) -> None:
    office.person("Rika", Role.TECHNICIAN, Role.RESEARCHER)
    administrator = office.role(Role.ADMINISTRATOR)
    page = administrator.get("/people").text
    row = page[page.index(">Rika<") :]
    assert "New link" in row[: row.index("</tr>")]
    roles = re.findall(r'type="hidden" name="role" value="(\w+)"', row[: row.index("</tr>")])
    made = administrator.post("/people", name="Rika", role=roles)
    secret = re.search(r"/join/([\w-]+)", made.text)
    assert secret
    with office.server.sessions() as db:
        assert accounts.find_invitation(db, secret[1]).roles == ["researcher", "technician"]


def test_older_deeds_and_older_work_are_pages_further(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    everybody = office.role(*Role)
    monkeypatch.setattr(account, "DEEDS_SHOWN", 4)
    monkeypatch.setattr(research, "JOBS_SHOWN", 2)
    with office.server.sessions.begin() as db:
        for n in range(5):
            accounts.record(db, "Ada", f"deed {n}")
            db.add(Job(id=f"job{n}", kind="train", lane="", subject="", given={}, who="Ada", created_at=utc()))
    for path, told in (("/deeds", "deed {}"), ("/jobs", "/jobs/job{}")):
        seen: list[str] = []
        address: str | None = path
        while address:
            page = everybody.get(address).text
            seen += [
                told.format(n)
                for n in range(4, -1, -1)
                if told.format(n) + ("<" if path == "/deeds" else '"') in page
            ]
            link = re.search(r'href="(\?before=\w+)">Older ones', page)
            address = path + link[1] if link else None
        assert seen == [told.format(n) for n in range(4, -1, -1)]
    assert everybody.get("/jobs?before=nothing").status_code == 404


def test_five_wrong_passwords_lock_and_the_right_one_waits(office: Office) -> None:
    office.person("Ada", Role.TECHNICIAN)
    for _ in range(accounts.FREE_FAILURES):
        assert sign_in(office, "Ada", "wrong password").status_code == 401
    assert sign_in(office, "Ada", PASSWORD).status_code == 401
    with office.server.sessions.begin() as db:
        user = db.query(User).one()
        assert user.locked_until > ""
        user.locked_until = "2000-01-01T00:00:00.000+00:00"
    assert sign_in(office, "Ada", PASSWORD).status_code == 303
    with office.server.sessions() as db:
        assert db.query(Deed).filter(Deed.did == "locked").count() == 1


def test_unknown_people_and_wrong_passwords_get_the_same_answer(office: Office) -> None:
    office.person("Ada", Role.TECHNICIAN)
    known, unknown = sign_in(office, "Ada", "wrong password"), sign_in(office, "Eve", "wrong password")
    strip = re.compile(r'value="\w{64}"')
    assert strip.sub("", known.text) == strip.sub("", unknown.text)


def test_one_address_may_not_try_for_ever(make_office: Callable[..., Office]) -> None:
    office = make_office(sign_ins_per_5_min=3)
    for _ in range(3):
        assert sign_in(office, "Eve", "wrong password").status_code == 401
    answer = sign_in(office, "Eve", "wrong password")
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) > 200


def test_a_rate_limit_forgets() -> None:
    moment = 0.0
    limit = RateLimit(2, within_s=10, now=lambda: moment)
    assert [limit.wait_s("a"), limit.wait_s("a"), limit.wait_s("a")] == [0, 0, 10]
    moment = 10.0
    assert limit.wait_s("a") == 0
    assert limit.wait_s("b") == 0


@pytest.mark.parametrize("password", ["short", "x" * 201, "aaaaaaaaaaaa", "my name is Ada L"])
def test_passwords_that_are_easy_are_refused(office: Office, password: str) -> None:
    with office.server.sessions.begin() as db:
        secret = accounts.invite(db, "Ada", [Role.TECHNICIAN])
    with office.server.sessions.begin() as db, pytest.raises(InputError, match="Password"):
        accounts.join(db, secret, "Ada", password)


def test_passwords_are_hashed_with_argon2id_at_no_less_than_owasp_asks_for(office: Office) -> None:
    office.person("Ada", Role.TECHNICIAN)
    with office.server.sessions() as db:
        assert db.query(User).one().password_hash.startswith("$argon2id$")
    assert HASHER.memory_cost >= 19 * 1024  # KiB; OWASP Password Storage Cheat Sheet, from memory of
    assert HASHER.time_cost >= 2  # the same
    assert HASHER.type is Type.ID


@pytest.mark.parametrize("https", [False, True])
def test_every_cookie_of_every_route_is_kept_from_scripts_and_other_sites(
    make_office: Callable[..., Office], *, https: bool
) -> None:
    office = make_office(https=https)
    seen = 0
    for route in ROUTES:
        path = re.sub(r"\{[^}]+\}", "0" * 12, route.path)
        for cookie in Browser(office).call(route.method, path).headers.get_list("set-cookie"):
            seen += 1
            assert "HttpOnly" in cookie, route
            assert "SameSite=strict" in cookie, route
            assert ("Secure" in cookie) == https, route
            assert "Domain" not in cookie, route
    assert seen


RECORDED_BY = {"sign_in": "accounts.begin_visit", "join": "accounts.join", "make_token": "accounts.make_token"}
"""Views whose deed is written where the secret is made."""
FILES = {"create", "append", "give_up"}
"""Views of uploads: each file stands in its batch with name, length, hash and moment, whose owner alone sends."""


def test_every_view_that_changes_something_writes_down_who_did_it() -> None:
    for route in ROUTES:
        if route.method in {"GET", "HEAD", "OPTIONS"} or route.view.__name__ in FILES:
            continue
        writes = RECORDED_BY.get(route.view.__name__, "ask.did(")
        source = inspect.getsource(route.view)
        assert writes in source or "end_tokens(ask" in source, route


def test_secrets_are_kept_as_hashes_only(office: Office) -> None:
    browser = office.role(Role.TECHNICIAN)
    with office.server.sessions.begin() as db:
        token = accounts.make_token(db, db.query(User).one(), "nightly")
    raw = b"".join(path.read_bytes() for path in office.settings.data.glob("web.sqlite*"))
    assert browser.secret.encode() not in raw
    assert token.encode() not in raw
    assert PASSWORD.encode() not in raw


def test_a_token_acts_as_its_owner_until_it_is_ended(office: Office) -> None:
    browser = office.role(Role.TECHNICIAN)
    page = browser.post("/account/tokens", name="nightly").text
    token = re.search(r"pcv_[\w-]+", page)
    assert token
    script = Browser(office)
    headers = {"authorization": f"Bearer {token[0]}"}
    assert script.get("/api/me", headers=headers).json() == {
        "name": "technician",
        "roles": ["technician"],
        "initials": "",
    }
    assert script.get("/api/versions", headers=headers).status_code == 403
    assert script.client.post("/api/batches", headers=headers, json={"name": "by script"}).status_code == 200
    browser.post("/account/tokens/end", name="nightly")
    assert script.get("/api/me", headers=headers).status_code == 401


@pytest.mark.parametrize("token", ["", "pcv_", "pcv_forged", "pcv_" + "A" * 43, "../../etc/passwd"])
def test_forged_tokens_are_nobody(office: Office, token: str) -> None:
    office.role(Role.TECHNICIAN)
    headers = {"authorization": f"Bearer {token}"}
    assert Browser(office).get("/api/me", headers=headers).status_code == 401


def test_a_token_header_is_never_mixed_with_a_cookie(office: Office) -> None:
    browser = office.role(Role.TECHNICIAN)
    assert browser.get("/api/me", headers={"authorization": "Bearer pcv_forged"}).status_code == 401


def test_a_visit_ends_when_it_is_left_alone(office: Office) -> None:
    browser = office.role(Role.TECHNICIAN)
    with office.server.sessions.begin() as db:
        db.query(Visit).one().seen_at = "2020-01-01T00:00:00.000+00:00"
    assert browser.get("/batches").status_code == 303


def test_a_person_switched_off_is_out_at_once(office: Office) -> None:
    technician, boss = office.role(Role.TECHNICIAN), office.role(Role.ADMINISTRATOR)
    with office.server.sessions() as db:
        user_id = db.query(User).filter(User.name == "technician").one().id
    assert boss.post(f"/people/{user_id}", active="false").status_code == 303
    assert technician.get("/batches").status_code == 303
    assert sign_in(office, "technician", PASSWORD).status_code == 401


def test_a_new_invitation_replaces_password_and_roles(office: Office) -> None:
    office.person("Ada", Role.TECHNICIAN)
    boss = office.role(Role.ADMINISTRATOR)
    page = boss.post("/people", name="Ada", role=["engineer"]).text
    link = re.search(r"/join/[\w-]+", page)
    assert link
    browser = Browser(office)
    mark = re.search(r'name="mark" value="(\w+)"', browser.get(link[0]).text)
    assert mark
    fields = {"mark": mark[1], "password": "another set of words"}
    assert browser.client.post(link[0], data=fields).status_code == 303
    assert sign_in(office, "Ada", PASSWORD).status_code == 401
    assert browser.get("/releases").status_code == 200
    assert browser.get("/batches").status_code == 403


def test_the_console_shows_the_first_link_until_somebody_has_joined(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served: list[FastAPI] = []
    monkeypatch.setattr("uvicorn.run", lambda app, **_: served.append(app))

    def start() -> list[str]:
        answer = CliRunner().invoke(serve_command, ["--data", str(tmp_path / "data"), "--name", "testserver"])
        assert answer.exit_code == 0, answer.output
        return re.findall(r"/join/[\w-]{43}", answer.output)

    (older,), (newer,) = start(), start()
    office = Office(served[-1], read_environment(data=tmp_path / "data", hosts="testserver"))
    assert Browser(office).get(older).status_code == 422
    assert Browser(office).get(newer).status_code == 200
    with office.server.sessions.begin() as db:
        accounts.join(db, newer.rpartition("/")[2], "Ada", PASSWORD)
    assert start() == []
    assert Browser(office).get(newer).status_code == 422
