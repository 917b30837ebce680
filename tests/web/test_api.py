"""The JSON interface: what it says of itself is what it does, whatever is sent."""

from __future__ import annotations

from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance

from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.web import accounts
from passage_cv.web.people import Role
from passage_cv.web.routes import ROUTES
from passage_cv.web.tables import User
from tests.batches import write_batch
from tests.web.conftest import Browser, Office


def token_of(office: Office, *roles: Role) -> dict[str, str]:
    """What a script of a person with these roles sends."""
    office.role(*roles)
    with office.server.sessions.begin() as db:
        return {"authorization": f"Bearer {accounts.make_token(db, db.query(User).one(), 'test')}"}


def test_a_script_brings_a_batch_home(office: Office, tmp_path: Path) -> None:
    Store.create(office.settings.store_root, StoreSettings())
    headers = token_of(office, Role.TECHNICIAN, Role.RESEARCHER)
    client = Browser(office).client
    batch = client.post("/api/batches", headers=headers, json={"name": "by script"}).json()["id"]
    office.role(Role.TECHNICIAN, Role.RESEARCHER).send_folder(batch, write_batch(tmp_path / "trip"))
    for step, body in (("check", None), ("accept", {"reason": "by script"})):
        job = client.post(f"/api/batches/{batch}/{step}", headers=headers, json=body).json()["job"]
        office.work()
        assert client.get(f"/api/jobs/{job}", headers=headers).json()["state"] == "done"
    assert client.get(f"/api/batches/{batch}", headers=headers).json()["state"] == "accepted"
    (info,) = client.get("/api/versions", headers=headers).json()
    assert client.get(f"/api/versions/{info['name']}", headers=headers).json()["classes"]["Channa argus"]


PAGES_ONLY = {
    "/sign-in", "/join/{secret}", "/sign-out", "/account/initials", "/account/tokens", "/account/tokens/end",
    "/people", "/people/{user_id}",  # people and their secrets are for people
    "/batches/{batch_id}/keying", "/batches/{batch_id}/keying/second", "/batches/{batch_id}/keying/compare",
    "/keying/{keying_id}",  # reading paper is for people
    "/data/{name}/leaks",  # a script asks for them at once
    "/batches/{batch_id}/pairing/undo", "/batches/{batch_id}/pairing/anew", "/service/log",
}  # fmt: skip


def test_every_change_that_a_page_makes_a_script_can_make() -> None:
    scripts = {route.path.removeprefix("/api") for route in ROUTES if route.path.startswith("/api/")}
    pages = {
        route.path for route in ROUTES if route.method == "POST" and not route.path.startswith(("/api/", "/uploads"))
    }
    assert pages - scripts == PAGES_ONLY


def test_refusals_are_json_in_three_parts(office: Office) -> None:
    headers = token_of(office, Role.TECHNICIAN)
    answer = Browser(office).client.post("/api/batches", headers=headers, json={"facts": {"light": "moon"}})
    assert answer.status_code == 422
    assert set(answer.json()) == {"what", "where", "do"}


@pytest.mark.slow
def test_nothing_that_fits_the_description_breaks_it(office: Office) -> None:
    headers = token_of(office, *Role)
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", office.app, headers={"host": "testserver"})
    checked: set[str] = set()
    for found in schema.get_all_operations():

        @given(case=found.ok().as_strategy())
        @settings(max_examples=12, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
        def probe(case: schemathesis.Case) -> None:
            answer = case.call(headers={**headers, "host": "testserver"})
            case.validate_response(answer, checks=[not_a_server_error, response_schema_conformance])
            checked.add(case.operation.label)

        probe()
    assert len(checked) == sum(route.path.startswith("/api/") for route in ROUTES)
