"""An office in which every page has something to show, and the address of each page in it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from urllib.parse import quote

from passage_cv.files import read_json
from passage_cv.gate.site import Audit
from passage_cv.service.traffic import run_traffic
from passage_cv.web import accounts
from passage_cv.web.people import Role
from passage_cv.web.routes import ROUTES
from passage_cv.web.tables import Keying, Made, Release
from tests.batches import FACTS, ROWS, jpeg, trip_rows, write_batch
from tests.gate_world import write_traffic_folder
from tests.web.conftest import Browser, Office
from tests.web.night import write_night
from tests.web.test_batches import checked
from tests.web.test_findings import own_headings
from tests.web.test_keying import PAPER, READ, cells
from tests.web.test_looking import enter_run
from tests.web.test_research import N_TRIPS, accept, begin, calibrated, last, released
from tests.worlds import CODES

NO_PAGES = {
    "/batches/{batch_id}/received": "JSON for the page that sends files",
    "/batches/{batch_id}/findings.csv": "a file",
    "/batches/{batch_id}/pictures/{name:path}": "a picture",
    "/batches/{batch_id}/thumbnails/{name:path}": "a picture",
    "/keying/{keying_id}/picture": "a picture",
    "/pictures/{sha256}": "a picture",
    "/reports/{made_id}/{name:path}": "the report has its own tests",
    "/models/{made_id}/files/{name}": "a picture or a table",
    "/models/set-ups/{name}": "the text of a training set-up",
    "/releases/{release_id}/package.zip": "a file",
    "/jobs/{job_id}/state": "a part of /jobs/{job_id}",
    "/jobs/{job_id}/log": "a part of /jobs/{job_id}",
}
"""GET routes that answer with something else than a page, and what."""


def page_routes() -> list[str]:
    """Every route that answers with a page: what is neither a file nor for scripts."""
    paths = [one.path for one in ROUTES if one.method == "GET" and not one.path.startswith("/api")]
    return [path for path in paths if path not in NO_PAGES]


def furnish(office: Office, place: Path) -> dict[str, list[str]]:
    """Fill the office; route by route the addresses of its pages, for a person with every role."""
    everybody = office.role(*Role)
    begin(everybody)
    everybody.post("/account/initials", initials="ELQ")
    for n in range(1, N_TRIPS + 1):
        accept(office, write_batch(place / f"trip-{n}", trip_rows(f"T{n}", 10, CODES)))
    found = (
        _batches(office, everybody, place) | _keyings(office, everybody, place) | _models(office, everybody, place)
    )
    name, older = (info["name"] for info in everybody.get("/api/versions").json()[-1:-3:-1])
    for path in page_routes():
        if path.startswith("/data/{name}"):
            found[path] = [path.replace("{name}", name).replace("{older}", older)]
        elif "{" not in path:
            found.setdefault(path, [path])
    with office.server.sessions.begin() as db:
        found["/join/{secret}"] = [f"/join/{accounts.invite(db, 'Elq', [Role.TECHNICIAN])}"]
    return found


def _batches(office: Office, everybody: Browser, place: Path) -> dict[str, list[str]]:
    """One batch on its way through each page."""
    long = {**ROWS[2], "image": "images/4.jpg", "length_mm": "long"}
    folder = write_batch(place / "faulty", [{**ROWS[0], "code": "NSX"}, *ROWS[1:], long])
    faulty = checked(office, everybody, folder)
    everybody.post(f"/batches/{faulty}/decisions", kind="note", row="2", value="ask the crew")
    columns = checked(office, everybody, own_headings(place / "headings"))
    night = checked(office, everybody, write_night(place / "night", 6, skipped=(2,)))
    empty = everybody.begin(name="2031-05-12-RKV")
    aside = everybody.begin(name="2031-05-13-RKV")
    everybody.post(f"/batches/{aside}/aside")
    kept = next(one["id"] for one in everybody.get("/api/batches").json() if one["state"] == "accepted")
    return {
        "/batches/{batch_id}": [f"/batches/{one}" for one in (faulty, columns, night, empty, aside, kept)],
        "/batches/{batch_id}/findings": [f"/batches/{one}/findings" for one in (faulty, night, kept)],
        "/batches/{batch_id}/columns": [f"/batches/{columns}/columns"],
        "/batches/{batch_id}/pairing": [f"/batches/{night}/pairing"],
        "/batches/{batch_id}/receipt": [f"/batches/{kept}/receipt"],
    }


def _paper(who: Browser, place: Path) -> str:
    """A batch of pictures whose sheet is on paper, keyed once; a second reader is asked."""
    batch = who.begin(**{key: FACTS[key] for key in FACTS}, length_type="TL")
    for path in write_night(place, 2).glob("*.jpg"):
        who.send(batch, path.name, path.read_bytes())
    who.send(batch, PAPER, jpeg("paper", width=800, height=600))
    who.post(f"/batches/{batch}/keying", image=PAPER, **cells(READ))
    who.post(f"/batches/{batch}/keying/second", image=PAPER)
    return batch


def _keyings(office: Office, everybody: Browser, place: Path) -> dict[str, list[str]]:
    """A sheet of one's own that two readers read differently, and one of somebody else that waits."""
    other = office.browser(office.person("Elq Brandt", Role.TECHNICIAN))
    own = _paper(everybody, place / "own")
    with office.server.sessions() as db:
        number = db.query(Keying).one().id
    other.post(f"/keying/{number}", **cells([READ[0], ("2", "BCF", "510")]))
    theirs = _paper(other, place / "theirs")
    with office.server.sessions() as db:
        waiting = db.query(Keying).filter(Keying.batch_id == theirs).one().id
    picture = quote(PAPER)
    return {
        "/batches/{batch_id}/keying": [f"/batches/{own}/keying", f"/batches/{own}/keying?image={picture}"],
        "/batches/{batch_id}/keying/compare": [f"/batches/{own}/keying/compare?image={picture}"],
        "/keying/{keying_id}": [f"/keying/{waiting}"],
    }


def _models(office: Office, everybody: Browser, place: Path) -> dict[str, list[str]]:
    """Runs compared, cutoffs tried, set and reported, a package in service and what its gate did."""
    researcher, engineer = office.role(Role.RESEARCHER), office.role(Role.ENGINEER)
    cutoffs = calibrated(office, researcher, place)
    one, two = (enter_run(office, name, seed=seed) for name, seed in (("cccccc", 1), ("dddddd", 2)))
    everybody.post("/models/compare", first=one, second=two)
    everybody.post("/cutoffs/try", scores="b" * 12, policy="spring")
    everybody.post(f"/cutoffs/{cutoffs}/evaluate")
    office.work()
    release = released(office, researcher, engineer, cutoffs)
    everybody.post(f"/releases/{release}/service", reason="season begins")
    hand_in_log(office, everybody, release, place)
    everybody.post("/models", config="quick", policy="spring")
    waiting = last(office, "train").id
    return {
        "/models/{made_id}": [f"/models/{one}"],
        "/models/compare/{made_id}": [f"/models/compare/{last(office, 'compare').id}"],
        "/cutoffs/{made_id}": [f"/cutoffs/{cutoffs}"],
        "/cutoffs/try/{made_id}": [f"/cutoffs/try/{last(office, 'try').id}"],
        "/releases/{release_id}": [f"/releases/{release}"],
        "/service/status/{made_id}": [f"/service/status/{last(office, 'status').id}"],
        "/jobs/{job_id}": [f"/jobs/{last(office, 'calibrate').id}", f"/jobs/{waiting}"],
    }


def hand_in_log(office: Office, engineer: Browser, release: str, place: Path) -> None:
    """What the gate did with the package of a release, handed in and read."""
    with office.server.sessions() as db:
        package = office.settings.data / db.get_one(Made, db.get_one(Release, release).package_id).path
    traffic = write_traffic_folder(place / "traffic", [("NSH",), ("AMS",), ("dull",), ()])
    run_traffic(package, traffic, place / "gate.sqlite", audit=Audit(share=1.0))
    given: dict[str, Any] = {
        "data": {"mark": engineer.mark, "site": "QMR-KBW-01"},
        "files": {"log": ("gate.sqlite", (place / "gate.sqlite").read_bytes())},
    }
    assert engineer.client.post("/service/log", **given).status_code == 303
    office.work()


def raise_alarm(office: Office, made_id: str) -> None:
    """As if audits of this log had found passed snakeheads: what alarms is the service's own matter."""
    with office.server.sessions.begin() as db:
        made = db.get_one(Made, made_id)
        made.facts = {**made.facts, "alarms": ["NSH: miss"], "ok": False}
        path = office.settings.data / made.path / "status.json"
    found = read_json(path)
    found["ok"], found["audits"]["classes"][0]["alarm"] = False, True
    path.write_text(json.dumps(found))
