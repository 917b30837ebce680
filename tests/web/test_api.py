"""The JSON interface: what it says of itself is what it does, whatever is sent."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.strategies import booleans
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.files import sha256_file
from passage_cv.web.app import create_app
from passage_cv.web.people import Role
from passage_cv.web.routes import PAGES, Route
from passage_cv.web.routes_api import SCRIPTS
from passage_cv.web.settings import WebSettings
from tests.batches import jpeg, write_batch
from tests.web.conftest import Browser, Office
from tests.web.furnished import furnish
from tests.web.night import write_night
from tests.web.script import Script, token_of
from tests.web.test_batches import checked


def test_a_script_brings_a_batch_home(office: Office, tmp_path: Path) -> None:
    Store.create(office.settings.store_root, StoreSettings())
    script, folder = Script(office, Role.TECHNICIAN, Role.RESEARCHER), write_batch(tmp_path / "trip")
    batch = script.post("/api/batches", name="by script")["id"]
    for path in sorted(one for one in folder.rglob("*") if one.is_file()):
        script.send(batch, path.relative_to(folder).as_posix(), path.read_bytes())
    assert {one["name"]: one["sha256"] for one in script.get(f"/api/batches/{batch}/received")} == {
        path.relative_to(folder).as_posix(): sha256_file(path) for path in folder.rglob("*") if path.is_file()
    }
    for step, body in (("check", {}), ("accept", {"reason": "by script"})):
        job = script.post(f"/api/batches/{batch}/{step}", **body)["job"]
        office.work()
        assert script.get(f"/api/jobs/{job}")["state"] == "done"
    assert [one["kind"] for one in script.get("/api/jobs")] == ["accept", "check"]
    assert script.get(f"/api/batches/{batch}")["state"] == "accepted"
    (info,) = script.get("/api/versions")
    assert script.get(f"/api/batches/{batch}/receipt")["receipt"]["version"] == info["name"]
    assert script.get(f"/api/versions/{info['name']}")["classes"]["Channa argus"]
    assert script.get(f"/api/versions/{info['name']}/draws")[0]["shared"] == 0
    assert script.get("/api/data")["is_begun"]


def test_a_script_of_an_administrator_sees_what_was_done_and_lets_people_in(office: Office) -> None:
    office.person("Ada", Role.TECHNICIAN)
    script = Script(office, Role.ADMINISTRATOR)
    link = script.post("/api/people", name="Elq", roles=["technician", "engineer"])["link"]
    assert Browser(office).get(link).status_code == 200
    (ada,) = (one for one in script.get("/api/people") if one["name"] == "Ada")
    assert not script.post(f"/api/people/{ada['id']}", active=False)["active"]
    newest = script.get("/api/deeds")
    assert [(one["did"], one["what"]) for one in newest[:2]] == [
        ("switched off", "Ada"),
        ("invited", "Elq: technician, engineer"),
    ]
    assert script.get(f"/api/deeds?before={newest[0]['id']}") == newest[1:]


def test_a_script_ends_its_own_token(office: Office) -> None:
    script = Script(office, Role.TECHNICIAN)
    assert script.post("/api/account/initials", initials="RKV")["initials"] == "RKV"
    assert [one["name"] for one in script.get("/api/account/tokens")] == ["test"]
    assert script.post("/api/account/tokens/end", name="test") == []
    assert script.client.get("/api/me", headers=script.headers).status_code == 401


def test_two_scripts_key_one_sheet_and_the_second_is_blind(office: Office) -> None:
    first = Script(office, Role.TECHNICIAN)
    batch = first.post("/api/batches", name="paper")["id"]
    first.send(batch, "sheet.jpg", jpeg("paper"))
    rows = [{"individual": "1", "code": "NSH"}, {"individual": "2", "code": "BOW"}]
    assert first.post(f"/api/batches/{batch}/keying", image="sheet.jpg", rows=rows)["first"] == rows
    first.post(f"/api/batches/{batch}/keying/second", image="sheet.jpg")
    assert first.get("/api/keying") == []
    second = Script(office, Role.TECHNICIAN, Role.ENGINEER)
    (waiting,) = second.get("/api/keying")
    assert "first" not in waiting
    picture = second.client.get(f"/api/keying/{waiting['id']}/picture", headers=second.headers)
    assert picture.headers["content-type"] == "image/jpeg"
    assert second.post(f"/api/keying/{waiting['id']}", rows=[rows[0], {**rows[1], "code": "BCF"}]) == []
    (cell,) = first.get(f"/api/batches/{batch}/keying/compare?image=sheet.jpg")
    assert cell == {"row": 1, "column": "code", "first": "BOW", "second": "BCF"}
    choice = {"row": 1, "column": "code", "reading": "second"}
    settled = first.post(f"/api/batches/{batch}/keying/compare", image="sheet.jpg", choices=[choice])
    assert (settled["state"], settled["first"][1]["code"]) == ("settled", "BCF")


def test_a_script_takes_an_edit_of_the_pairing_back_and_begins_anew(office: Office, tmp_path: Path) -> None:
    script = Script(office, Role.TECHNICIAN)
    batch = checked(office, office.role(Role.TECHNICIAN), write_night(tmp_path / "night", 3))
    before = script.get(f"/api/batches/{batch}/pairing")
    image = before["timeline"]["shots"][0]["image"]
    edit = {"at": before["at"], "edit": "aside", "form": {"image": image, "why": "a hand"}}
    assert script.post(f"/api/batches/{batch}/pairing", **edit)["timeline"] != before["timeline"]
    assert script.post(f"/api/batches/{batch}/pairing/undo", at=before["at"] + 1) == before
    script.post(f"/api/batches/{batch}/pairing/anew")
    office.work()
    assert script.get(f"/api/batches/{batch}/pairing") == before


@pytest.mark.slow
def test_scripts_bring_cutoffs_to_a_gate_and_read_its_log(office: Office, tmp_path: Path) -> None:
    furnish(office, tmp_path / "place")
    researcher, engineer = Script(office, Role.RESEARCHER), Script(office, Role.ENGINEER)
    (cutoffs,) = engineer.get("/api/things?kind=cutoffs")
    assert engineer.get(f"/api/things/{cutoffs['id']}")["content"]["limits"]
    (release,) = engineer.get("/api/releases")
    assert engineer.get(f"/api/releases/{release['id']}") == release
    assert release["in_service"]
    (site,) = engineer.get("/api/service")
    assert (site["now"]["release"], site["before"]) == (release["id"], [])
    read = engineer.get(f"/api/things/{site['log']}")["content"]["status"]
    assert read["presentations"] > 0
    for kind in ("run", "comparison", "whatif", "leaks"):
        assert engineer.client.get(f"/api/things?kind={kind}", headers=engineer.headers).status_code == 403
    (report,) = engineer.get("/api/things?kind=report")
    files = engineer.get(f"/api/things/{report['id']}")["content"]["files"]
    for name in files:
        answer = engineer.client.get(f"/api/reports/{report['id']}/{name}", headers=engineer.headers)
        assert answer.status_code == 200, name
    for kind in ("run", "comparison", "whatif"):
        for one in researcher.get(f"/api/things?kind={kind}"):
            assert researcher.get(f"/api/things/{one['id']}")["content"], kind
    log = {"site": "QMR-KBW-01"}, {"log": ("gate.sqlite", (tmp_path / "place" / "gate.sqlite").read_bytes())}
    answer = engineer.client.post("/api/service/log", data=log[0], files=log[1], headers=engineer.headers)
    assert answer.status_code == 200, answer.text
    office.work()
    assert engineer.get(f"/api/jobs/{answer.json()['job']}")["state"] == "done"
    assert engineer.get("/api/service")[0]["log"] == answer.json()["job"]


ELSEWHERE = {
    "GET /account": "/api/me",
    "GET /batches/new": "/api/batches",
    "GET /data": "/api/versions",
    "GET /data/{name}": "/api/versions/{name}",
    "GET /data/{name}/since/{older}": "/api/versions/{name}/since/{older}",
    "GET /data/{name}/cover": "/api/versions/{name}/cover",
    "GET /data/{name}/leaks": "/api/versions/{name}/leaks",
    "POST /data/{name}/leaks": "/api/versions/{name}/leaks",
    "GET /models": "/api/things",
    "GET /models/{made_id}": "/api/things/{made_id}",
    "GET /models/compare/{made_id}": "/api/things/{made_id}",
    "GET /cutoffs": "/api/things",
    "GET /cutoffs/{made_id}": "/api/things/{made_id}",
    "GET /cutoffs/try/{made_id}": "/api/things/{made_id}",
    "GET /service/status/{made_id}": "/api/things/{made_id}",
    "GET /jobs/{job_id}/state": "/api/jobs/{job_id}",
}
"""Pages whose twin has another name than the page behind ``/api``."""
PEOPLE_ONLY = {
    "GET /": "sends everybody to their own first page",
    "GET /sign-in": "a password is for people; a script has a token",
    "POST /sign-in": "a password is for people; a script has a token",
    "GET /join/{secret}": "a password is for people",
    "POST /join/{secret}": "a password is for people",
    "POST /sign-out": "ends a visit of a browser; a script ends its token",
    "POST /account/sign-out": "ends visits of browsers; a script ends its token",
    "POST /account/password": "a password is for people",
    "POST /account/tokens": "no token makes another, so that none that leaks outlives its end",
}
"""Pages without a twin, and why."""
WIDER = {"/api/me", "/api/batches", "/api/things", "/api/things/{made_id}"}
"""Twins of several pages: they let in whom one of these lets in, and show each what that page shows."""


SHOWN = [one for one in PAGES if not one.path.startswith("/uploads")]
"""Uploads are for browsers and scripts alike."""


def twin(page: Route) -> Route | None:
    """The route that does for scripts what a page does."""
    path = ELSEWHERE.get(f"{page.method} {page.path}", f"/api{page.path}")
    return next((one for one in SCRIPTS if (one.method, one.path) == (page.method, path)), None)


@pytest.mark.parametrize(
    "page", [one for one in PAGES if not one.path.startswith("/uploads")], ids=lambda one: f"{one.method} {one.path}"
)
def test_what_a_page_does_or_shows_a_script_does_or_gets(page: Route) -> None:
    found = twin(page)
    if found is None:
        assert PEOPLE_ONLY[f"{page.method} {page.path}"]
    else:
        assert found.starts_work == page.starts_work
        assert found.who >= page.who if found.path in WIDER else found.who == page.who


def test_the_lists_of_pages_name_pages() -> None:
    pages = {f"{one.method} {one.path}": twin(one) for one in SHOWN}
    assert set(ELSEWHERE) <= set(pages)
    assert {name for name, found in pages.items() if found is None} == set(PEOPLE_ONLY)


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    data = tmp_path_factory.mktemp("document")
    found = create_app(WebSettings(data=data, hosts="testserver"), with_workers=False).openapi()
    assert found == json.loads(json.dumps(found))
    return found


def test_every_answer_of_the_document_has_a_schema(document: dict[str, Any]) -> None:
    for route in SCRIPTS:
        said = _operation(document, route)["responses"]
        ((kind, content),) = said["200"]["content"].items()
        assert kind == (route.gives or "application/json"), route
        if not route.gives:
            schema = content["schema"].get("items", content["schema"])
            assert schema["$ref"].startswith("#/components/schemas/"), route
        for status in ("401", "403", "404", "422", "429"):
            assert said[status]["content"]["application/json"]["schema"]["$ref"].endswith("/Refusal"), route


def test_the_document_says_who_may_use_each_route(document: dict[str, Any]) -> None:
    assert document["security"] == [{"token": []}]
    for route in SCRIPTS:
        said = _operation(document, route)
        assert set(said["x-roles"]) == route.who
        assert "\n\nFor: " in said["description"]
        assert said["summary"]


def _operation(document: dict[str, Any], route: Route) -> dict[str, Any]:
    found: dict[str, Any] = document["paths"][route.path.replace(":path}", "}")][route.method.lower()]
    return found


def test_the_document_tells_how_files_are_sent(document: dict[str, Any]) -> None:
    text = document["info"]["description"]
    for word in ("`POST /uploads`", "`PATCH <address>`", "`HEAD <address>`", "Upload-Length", "Upload-Metadata",
                 "Upload-Offset", "application/offset+octet-stream", "Authorization: Bearer pcv_"):  # fmt: skip
        assert word in text
    assert {route.method for route in PAGES if route.path.startswith("/uploads")} >= {"POST", "HEAD", "PATCH"}


def test_refusals_are_json_in_three_parts(office: Office) -> None:
    headers = token_of(office, Role.TECHNICIAN)
    answer = Browser(office).client.post("/api/batches", headers=headers, json={"facts": {"light": "moon"}})
    assert answer.status_code == 422
    assert set(answer.json()) == {"what", "where", "do"}


@pytest.mark.slow
def test_nothing_that_fits_the_description_breaks_it(make_office: Callable[..., Office], tmp_path: Path) -> None:
    office = make_office(scripts_per_minute=10**6, work_per_minute=10**6)
    there = names_in(office, furnish(office, tmp_path / "place"))
    headers = {**token_of(office, *Role), "host": "testserver"}
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", office.app, headers=headers)
    checks = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
    answered: dict[str, set[int]] = {}
    for found in schema.get_all_operations():

        @given(case=found.ok().as_strategy(), is_there=booleans())
        @settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
        def probe(case: schemathesis.Case, is_there: bool) -> None:
            if is_there:
                case.path_parameters = {key: there.get(key, value) for key, value in case.path_parameters.items()}
            answer = case.call(headers=headers)
            case.validate_response(answer, checks=checks)
            answered.setdefault(case.operation.label, set()).add(answer.status_code)

        probe()
    assert len(answered) == len(SCRIPTS)
    silent = {name for name, statuses in answered.items() if name.startswith("GET") and 200 not in statuses}
    assert silent <= set(NEEDS_MORE)


NEEDS_MORE = {
    "GET /api/batches/{batch_id}/received": "its owner alone",
    "GET /api/batches/{batch_id}/pairing": "a batch that was paired",
    "GET /api/batches/{batch_id}/thumbnails/{name}": "a batch that was paired",
    "GET /api/batches/{batch_id}/pictures/{name}": "the name of a picture",
    "GET /api/batches/{batch_id}/keying/compare": "two readers who differ",
    "GET /api/reports/{made_id}/{name}": "the name of a file",
    "GET /api/models/{made_id}/files/{name}": "the name of a file",
    "GET /api/models/set-ups/{name}": "the name of a set-up",
    "GET /api/pictures/{sha256}": "the hash of a picture",
}
"""What a script must know to be answered; other tests do."""


def names_in(office: Office, addresses: dict[str, list[str]]) -> dict[str, str]:
    """For each part of an address something that is there: of a batch the one that was accepted."""
    found: dict[str, str] = {}
    for path, (*_, last) in addresses.items():
        pattern = re.sub(r"\\{(\w+)\\}", r"(?P<\1>[^/]+)", re.escape(path))
        if match := re.fullmatch(pattern, last.partition("?")[0]):
            found |= match.groupdict()
    found["batch_id"] = addresses["/batches/{batch_id}/receipt"][0].split("/")[2]
    return found
