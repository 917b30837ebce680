"""Script, links, formulas and paths in every field that there is: wherever they show, they are text.

The fields are read from the forms of the pages and from the OpenAPI document, the places from the table of routes.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from httpx import Response

from passage_cv.web.people import Role
from passage_cv.web.routes_api import SCRIPTS
from passage_cv.web.tables import Deed, Job
from tests.batches import ROWS, write_batch
from tests.web.conftest import Browser, Office
from tests.web.fields import example, forms_of, harm_in, spots, with_text
from tests.web.furnished import furnish
from tests.web.test_attacks import is_formula
from tests.web.test_batches import checked

MARKUP = "'\"><img src=x onerror=zap7>{{6*7}}"
TEXTS = {
    "markup": MARKUP,
    "short": "<b onx=zap7>",
    "link": "javascript:zap7()",
    "formula": "=zap7(6*7)",
    "path": "../../../zap7",
}
NOT_TRIED = re.compile(r"/sign-out|/sign-in|/join/|/people/\d+|/account/tokens/end")
"""Forms that would end the attack itself."""
LONG_WORK = ("train", "score")
"""Work that would take minutes where it is asked for with values that hold."""


def test_what_is_looked_for_would_be_found() -> None:
    assert harm_in(f"<p>{MARKUP}") == ["<img src=x>", "<img onerror>"]
    assert harm_in('<a href="javascript:zap7()">') == ["<a href=javascript:zap7()>"]
    assert harm_in("<script>zap7()</script>") == ["a script"]
    assert harm_in('<form method="post"><p onx=zap7>') == ["<p onx>"]
    assert is_formula("=zap7(6*7)")
    assert not is_formula("-12.5")


def test_script_in_a_batch_from_its_first_fact_to_its_receipt(office: Office, tmp_path: Path) -> None:
    """Quick: the technician's own fields, the sheet's cells, and a person who is called so."""
    everybody = office.browser(office.person(MARKUP, *Role))
    _begin_store(office, everybody)
    batch = poisoned(office, everybody, tmp_path)
    pages = ("/batches", f"/batches/{batch}", f"/batches/{batch}/findings", f"/batches/{batch}/receipt", "/data",
             "/jobs", "/people", "/deeds", "/account", "/batches/new")  # fmt: skip
    shown = 0
    for page in pages:
        answer = everybody.get(page)
        assert answer.status_code == 200, page
        assert_harmless(answer, page)
        shown += "onerror=zap7&gt;{{6*7}}" in answer.text
    assert shown >= 9
    for path in ("/api/batches", f"/api/batches/{batch}/findings", f"/api/batches/{batch}/findings.csv",
                 f"/api/batches/{batch}/receipt", "/api/deeds", "/api/jobs"):  # fmt: skip
        assert_harmless(everybody.get(path), path)


def _begin_store(office: Office, who: Browser) -> None:
    assert who.call("POST", "/api/data", json={}).status_code == 200, office


def poisoned(office: Office, who: Browser, place: Path) -> str:
    """A batch that says it everywhere it can and is accepted nevertheless."""
    rows = [{**row, "recordedBy": MARKUP, "my own column": MARKUP} for row in ROWS]
    rows[0] = {**rows[0], "lifeStage": MARKUP, "mark": MARKUP}
    batch = checked(office, who, write_batch(place / "poisoned", rows))
    who.post(f"/batches/{batch}/facts", permit=MARKUP, recordedBy=MARKUP)
    who.post(f"/batches/{batch}/decisions", kind="note", row="2", value=MARKUP)
    who.post(f"/batches/{batch}/decisions", kind="exclude", image="images/3.jpg", value=MARKUP)
    for column in ("lifeStage", "mark"):
        who.post(f"/batches/{batch}/decisions", kind="correct", row="2", column=column, value="", why=MARKUP)
    who.post(f"/batches/{batch}/check")
    office.work()
    assert who.post(f"/batches/{batch}/accept", reason=MARKUP).status_code == 303, who.get(f"/batches/{batch}").text
    office.work()
    assert who.get(f"/batches/{batch}/receipt").status_code == 200, who.get(f"/batches/{batch}").text
    return batch


@pytest.mark.slow
def test_every_text_in_every_field_stays_text(make_office: Callable[..., Office], tmp_path: Path) -> None:
    office = make_office(sign_ins_per_5_min=10**6, work_per_minute=10**6, changes_per_minute=10**6)
    addresses = furnish(office, tmp_path / "place")
    _forget_long_work(office)
    everybody = office.browser(office.person(MARKUP, *Role))
    batch = poisoned(office, everybody, tmp_path)
    taken = fill_in_forms(office, addresses) | fill_in_bodies(office, names_of(addresses))
    _forget_long_work(office)
    office.work()
    assert len(taken) >= 40, sorted(taken)
    assert not list(tmp_path.rglob("zap7*"))
    found = sorted({*(one for some in addresses.values() for one in some), *_of_batch(batch), *_new(office)})
    reader = office.role(*Role)
    showing = {}
    for address in [*found, *_api(names_of(addresses)), *_api({**names_of(addresses), "batch_id": batch})]:
        answer = reader.get(address)
        assert answer.status_code < 500, address
        assert_harmless(answer, address)
        showing[address] = "zap7" in answer.text
    assert sum(showing.values()) >= 40, [one for one in showing if showing[one]]


def assert_harmless(answer: Response, address: str) -> None:
    """Nothing in an answer is more than text: not for a browser, not for a spreadsheet, not for a template."""
    kind = answer.headers.get("content-type", "").partition(";")[0]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "zap742" not in answer.text, address
    if answer.status_code == 303:
        assert re.match(r"/[^/]", answer.headers["location"]), address
    elif kind == "text/html":
        assert not harm_in(answer.text), (address, harm_in(answer.text))
    elif kind == "text/csv":
        cells = [cell for row in csv.reader(io.StringIO(answer.text)) for cell in row]
        assert not [cell for cell in cells if is_formula(cell)], address
    else:
        assert kind in {"application/json", "application/zip", "text/plain"} or kind.startswith("image/"), (
            address,
            kind,
        )


def fill_in_forms(office: Office, addresses: dict[str, list[str]]) -> set[str]:
    """Send every form of every page with each text in each field; the fields in which one was taken."""
    everybody, tried, taken = office.role(*Role), set[str](), set[str]()
    for address in (one for some in addresses.values() for one in some):
        for form in forms_of(everybody.get(address).text, address):
            kind = re.sub(r"[0-9a-f]{12}|\d+", "*", form.action)
            if NOT_TRIED.search(form.action):
                continue
            for name in form.fields:
                field = f"{kind} {re.sub(r'[0-9]+', '*', name)}"
                if field in tried:
                    continue
                tried.add(field)
                for text in TEXTS.values():
                    n_deeds = _count_deeds(office)
                    answer = everybody.post(form.action, **{**form.values, "mark": everybody.mark, name: text})
                    assert answer.status_code < 500, (field, text)
                    _look(answer, field)
                    if answer.status_code < 400:
                        taken.add(field)
                        assert _count_deeds(office) > n_deeds, field
    return taken


def _count_deeds(office: Office) -> int:
    with office.server.sessions() as db:
        return db.query(Deed).count()


def _look(answer: Response, field: str) -> None:
    if answer.headers.get("content-type", "").startswith("text/html"):
        assert not harm_in(answer.text), (field, harm_in(answer.text))


def fill_in_bodies(office: Office, there: dict[str, str]) -> set[str]:
    """Send every body of the OpenAPI document with each text in each place that takes text."""
    document, everybody, taken = office.app.openapi(), office.role(*Role), set[str]()
    for route in SCRIPTS:
        said = document["paths"].get(route.path, {}).get("post", {}).get("requestBody", {}).get("content", {})
        if route.method != "POST" or "application/json" not in said or NOT_TRIED.search(_at(route.path, there)):
            continue
        body = example(document, said["application/json"]["schema"], there)
        for spot in spots(body):
            for text in TEXTS.values():
                n_deeds = _count_deeds(office)
                answer = everybody.call("POST", _at(route.path, there), json=with_text(body, spot, text))
                assert answer.status_code < 500, (route, spot, text)
                assert answer.headers["content-type"] == "application/json"
                if answer.status_code < 400:
                    taken.add(f"{route.path} {spot}")
                    assert _count_deeds(office) > n_deeds, route
    return taken


THERE = {
    "user_id": "1",
    "decision_id": "1",
    "kind": "note",
    "row": "2",
    "config": "quick",
    "policy": "spring",
    "scores": "b" * 12,
    "version": "latest",
    "roles": "technician",
    "site": "QMR-KBW-01",
}
"""What names in bodies say where nothing is tried."""


def names_of(addresses: dict[str, list[str]]) -> dict[str, str]:
    """Something that is there for each part of an address, and for names in bodies."""
    found = dict(THERE)
    for path, (first, *_) in addresses.items():
        pattern = re.sub(r"\\\{(\w+)\\\}", r"(?P<\1>[^/]+)", re.escape(path))
        if match := re.fullmatch(pattern, first.partition("?")[0]):
            found |= match.groupdict()
    return found | {"batch_id": addresses["/batches/{batch_id}"][0].split("/")[2]}


def _at(path: str, there: dict[str, str]) -> str:
    return re.sub(r"\{(\w+)(?::path)?\}", lambda at: there.get(at[1], "0" * 12), path)


def _api(there: dict[str, str]) -> Iterator[str]:
    for route in SCRIPTS:
        if route.method == "GET":
            yield _at(route.path, there) + ("?kind=cutoffs" if route.path == "/api/things" else "")


def _of_batch(batch: str) -> list[str]:
    return [f"/batches/{batch}{path}" for path in ("", "/findings", "/receipt", "/columns", "/keying")]


def _new(office: Office) -> list[str]:
    """Pages of what the attack itself brought about: jobs, things and the files of reports."""
    reader = office.role(*Role)
    found = [f"/jobs/{one['id']}" for one in reader.get("/api/jobs").json()]
    found += [f"/batches/{one['id']}" for one in reader.get("/api/batches").json()]
    for report in reader.get("/api/things?kind=report").json():
        files: dict[str, Any] = reader.get(f"/api/things/{report['id']}").json()["content"]
        found += [f"/reports/{report['id']}/{name}" for name in files["files"] if name.endswith(".csv")]
    return found


def _forget_long_work(office: Office) -> None:
    """Take back what would train or score for minutes."""
    with office.server.sessions.begin() as db:
        for job in db.query(Job).filter(Job.state == "waiting", Job.kind.in_(LONG_WORK)):
            if "zap7" not in str(job.given):
                job.state, job.ended_at = "cancelled", "2031-05-11T20:00:00.000+00:00"
