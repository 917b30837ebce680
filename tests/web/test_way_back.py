"""Going back goes further back each time, never forward again, and only to the release that the press names."""

from __future__ import annotations

import re

import pytest

from passage_cv.web.people import Role
from passage_cv.web.releases import put_into_service, way_back
from passage_cv.web.tables import Deed, Made, Release, Service, User
from tests.web.conftest import Browser, Office
from tests.web.script import Script

RELEASES = {name: Release(id=name) for name in "ABCD"}
SITE = "QMR-KBW-01"


@pytest.fixture
def engineer(office: Office) -> Browser:
    return office.role(Role.ENGINEER)


def enter(office: Office, names: str) -> None:
    """Releases of one site with verified packages, entered as the jobs that make them would."""
    with office.server.sessions.begin() as db:
        person = db.query(User).first()
        assert person is not None
        for name in names:
            facts = {"site": SITE, "verified": True}
            for kind in ("cutoffs", "package"):
                db.add(Made(id=f"{kind}-{name}", kind=kind, title=name, path="", sources={}, facts=facts, who="t"))
            db.flush()
            release = Release(id=name, cutoffs_id=f"cutoffs-{name}", proposed_by_id=person.id, reason="better")
            release.state, release.package_id = "accepted", f"package-{name}"
            db.add(release)


def serve(office: Office, name: str) -> None:
    with office.server.sessions.begin() as db:
        put_into_service(db, db.get_one(Release, name), "Ada", "because")


def ran(office: Office) -> str:
    with office.server.sessions() as db:
        return "".join(line.release_id for line in db.query(Service).order_by(Service.id))


@pytest.mark.parametrize(
    ("ran", "target"),
    [("A", ""), ("AB", "A"), ("ABC", "B"), ("ABCB", "A"), ("ABCBA", ""), ("ABCBC", "B"), ("ABCBD", "B")],
)
def test_what_a_site_goes_back_to(ran: str, target: str) -> None:
    lines = [Service(release_id=name, release=RELEASES[name], at=str(n)) for n, name in enumerate(ran)]
    way = way_back(lines[::-1])
    assert (way.release.id if way else "") == target


def test_until_is_when_the_present_package_first_came() -> None:
    lines = [Service(release_id=name, release=RELEASES[name], at=str(n)) for n, name in enumerate("ABCB")]
    way = way_back(lines[::-1])
    assert way is not None
    assert way.until == "1"


def test_nothing_to_go_back_to_without_a_history() -> None:
    assert way_back([]) is None


def test_the_press_goes_to_the_release_that_its_button_names(office: Office, engineer: Browser) -> None:
    enter(office, "AB")
    for name in "AB":
        serve(office, name)
    page = engineer.get("/service").text
    assert re.findall('name="release_id" value="(.)"', page) == ["A"]
    assert engineer.post("/service/back", site=SITE, release_id="A", reason="fouled lens").status_code == 303
    assert ran(office) == "ABA"
    with office.server.sessions() as db:
        assert [one.what for one in db.query(Deed).filter(Deed.did == "rolled back")] == [f"{SITE}: A (A)"]


@pytest.mark.parametrize("named", ["A", "", "B", "C", "Z"])
def test_a_press_that_is_out_of_date_changes_nothing(office: Office, engineer: Browser, named: str) -> None:
    """The page was opened while B ran and named A; then C came into service, from which the way leads to B."""
    enter(office, "ABC")
    for name in "ABC":
        serve(office, name)
    answer = engineer.post("/service/back", site=SITE, release_id=named, reason="fouled lens")
    if named == "B":
        assert answer.status_code == 303
        assert ran(office) == "ABCB"
        return
    assert answer.status_code == 422
    assert "The way back leads to release B now" in answer.text
    assert "release C in service" in answer.text
    assert "Load the page In service again" in answer.text
    assert ran(office) == "ABC"


def test_a_script_names_the_release_too(office: Office, engineer: Browser) -> None:
    script = Script(office, Role.ENGINEER)
    enter(office, "ABC")
    for name in "AB":
        serve(office, name)
    (site,) = script.get("/api/service")
    assert site["back"] == "A"
    serve(office, "C")
    given = {"site": SITE, "reason": "fouled lens"}
    late = script.client.post("/api/service/back", headers=script.headers, json={**given, "release": site["back"]})
    assert late.status_code == 422
    assert {"what", "where", "do"} <= set(late.json())
    assert script.client.post("/api/service/back", headers=script.headers, json=given).status_code == 422
    assert ran(office) == "ABC"
    assert script.post("/api/service/back", **given, release="B")["now"]["release"] == "B"
    assert ran(office) == "ABCB"
