"""Every route with every role: the table is the whole of it, and it is obeyed."""

from __future__ import annotations

import re
from html import unescape

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from starlette.routing import Mount

from passage_cv.web.ask import COOKIE
from passage_cv.web.headers import POLICY
from passage_cv.web.people import ANYONE, Role
from passage_cv.web.routes import ROUTES, Route
from tests.web.conftest import Browser, Office
from tests.web.fingerprint import nothing_changes

NAMES = [f"{route.method} {route.path}" for route in ROUTES]


def address(route: Route) -> str:
    """The path with values that name nothing."""
    return re.sub(
        r"\{user_id\}|\{decision_id\}", "987654", re.sub(r"\{(?!user_id|decision_id)[^}]+\}", "0" * 12, route.path)
    )


def ask(browser: Browser, route: Route) -> int:
    return int(browser.call(route.method, address(route)).status_code)


def test_there_is_no_route_beside_the_table(office: Office) -> None:
    served = {
        f"{method} {one.path}" for one in office.app.routes if isinstance(one, APIRoute) for method in one.methods
    }
    assert served == set(NAMES)
    others = [one for one in office.app.routes if not isinstance(one, APIRoute)]
    assert [one.path for one in others if isinstance(one, Mount)] == ["/static"]
    assert {getattr(one, "path", "") for one in others} == {"/static", "/api/openapi.json"}


def test_nobody_gets_past_the_open_pages(office: Office) -> None:
    nobody = Browser(office, "not-a-visit")
    with nothing_changes(office):
        for route in ROUTES:
            status = ask(nobody, route)
            if route.who == ANYONE:
                assert status != 403, route
                assert status != 401 or route.path == "/sign-in", route
            elif route.path.startswith(("/api/", "/uploads")):
                assert status == 401, route
            else:
                assert status == 303, route


@pytest.mark.parametrize("role", Role)
def test_roles_are_kept_on_every_route(office: Office, role: Role) -> None:
    browser = office.role(role)
    with nothing_changes(office):
        for route in ROUTES:
            if route.who != ANYONE and role not in route.who:
                assert ask(browser, route) == 403, route
    for route in ROUTES:
        if route.who == ANYONE or role in route.who:
            status = ask(office.role(role), route)  # afresh: signing out ends the visit
            assert status not in {401, 403} or (status, route.path) == (401, "/sign-in"), (route, status)
            assert status < 500, (route, status)


def test_a_change_without_the_mark_of_its_form_is_refused(office: Office) -> None:
    everybody = office.role(*Role)
    for route in ROUTES:
        if route.method not in {"GET", "HEAD", "OPTIONS"}:
            assert everybody.client.request(route.method, address(route)).status_code == 403, route
            wrong = everybody.client.request(route.method, address(route), headers={"x-form-mark": "0" * 64})
            assert wrong.status_code == 403, route


def test_a_change_from_another_origin_is_refused(office: Office) -> None:
    technician = office.role(Role.TECHNICIAN)
    headers = {"origin": "https://elsewhere.example"}
    assert technician.call("POST", "/batches", headers=headers).status_code == 403
    assert technician.call("POST", "/batches", headers={"origin": "http://testserver"}).status_code == 303


EMPTY = {
    "/batches": "batches.empty",
    "/keying": "keying_list.empty",
    "/readings/agreement": "agreement.empty",
    "/policies": "policies.empty",
    "/models": "models.empty",
    "/cutoffs": "cutoffs.empty",
    "/releases": "releases.empty",
    "/service": "service.empty",
    "/ledger": "ledger.empty",
    "/jobs": "jobs.empty",
}
"""Pages with nothing on them yet, and the text that stands there."""


@pytest.mark.parametrize(("name", "key"), EMPTY.items())
def test_empty_pages_say_what_to_do_next(office: Office, name: str, key: str) -> None:
    answer = office.role(*Role).get(name)
    assert answer.status_code == 200
    said = office.server.languages.texts[0](key)
    assert said in unescape(answer.text)
    assert len(re.findall(r"[.:](?: |$)", said)) > 1  # what is not there, and then what to do


def test_headers_forbid_what_no_page_needs(office: Office) -> None:
    for path in ("/sign-in", "/static/style.css", "/no-such-page", "/api/me"):
        headers = Browser(office).get(path).headers
        assert "script-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
    assert Browser(office).get("/sign-in", headers={"host": "elsewhere.example"}).status_code == 400


def test_no_page_holds_a_script_a_style_or_an_address_elsewhere(office: Office) -> None:
    everybody = office.role(*Role)
    for route in ROUTES:
        if route.method == "GET" and "{" not in route.path and not route.path.startswith("/api"):
            text = everybody.get(route.path).text
            assert not re.search(r"<script(?![^>]*src=)|style=|\son\w+=|javascript:|https?://", text), route.path


def test_long_bodies_are_refused_outside_the_upload_route(office: Office) -> None:
    technician = office.role(Role.TECHNICIAN)
    assert technician.call("POST", "/batches", content=b"x" * (3 << 20)).status_code == 413


def test_a_mistake_of_ours_is_a_page_without_its_traceback(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    def break_(*given: object) -> None:
        raise ZeroDivisionError("secret detail")

    browser = office.role(Role.RESEARCHER)
    monkeypatch.setattr("passage_cv.web.research.list_policies", break_)
    quiet = TestClient(office.app, cookies={COOKIE: browser.secret}, raise_server_exceptions=False)
    answer = quiet.get("/policies")
    assert answer.status_code == 500
    assert "secret detail" not in answer.text
    assert "server&#39;s log" in answer.text
    assert answer.headers["content-security-policy"] == POLICY
