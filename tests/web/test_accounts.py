"""Joining, signing in, locking, tokens, and the cookie."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from httpx import Response

from passage_cv.errors import InputError
from passage_cv.web import accounts
from passage_cv.web.app import first_link
from passage_cv.web.limits import RateLimit
from passage_cv.web.people import Role
from passage_cv.web.tables import Deed, User, Visit
from tests.web.conftest import PASSWORD, Browser, Office


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


def test_signing_out_ends_the_visit_in_every_browser(office: Office) -> None:
    one = office.role(Role.TECHNICIAN)
    other = office.role(Role.TECHNICIAN)
    assert one.post("/sign-out").status_code == 303
    assert other.get("/batches").status_code == 303


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
