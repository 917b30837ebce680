"""A list of work says of each piece what it is about: two checks or two trainings are not the same line."""

from __future__ import annotations

import re

from passage_cv.web import jobs
from passage_cv.web.about import about_jobs
from passage_cv.web.people import Role
from passage_cv.web.tables import Job, Made, Release, User
from tests.web.conftest import Office

RUNS = {"a" * 12: "quick on 000002-0123456789ab, 1a2b3c4d", "b" * 12: "quick on 000002-0123456789ab, 5e6f7a8b"}


def about(office: Office, kind: str, subject: str, **given: str) -> str:
    with office.server.sessions.begin() as db:
        job = jobs.add_job(db, kind, subject, given, "Ada")
        return about_jobs(db, [job])[job.id]


def enter(office: Office, kind: str, titles: dict[str, str]) -> None:
    with office.server.sessions.begin() as db:
        for made_id, title in titles.items():
            db.add(Made(id=made_id, kind=kind, title=title, path="", sources={}, facts={}, who="t"))


def test_work_on_a_batch_names_it(office: Office) -> None:
    technician = office.role(Role.TECHNICIAN)
    batch = technician.begin(name="2031-05-11-RKV")
    assert about(office, "check", batch) == "2031-05-11-RKV"
    assert about(office, "accept", batch, author="RKV", reason="a * 12") == "2031-05-11-RKV"


def test_work_on_models_names_them_and_what_it_was_given(office: Office) -> None:
    enter(office, "run", RUNS)
    first, second = RUNS
    assert about(office, "train", "training", config="quick", policy="spring", version="latest") == "quick, spring"
    assert about(office, "score", first, run=first) == RUNS[first]
    assert about(office, "calibrate", first, scores=first, policy="spring") == f"{RUNS[first]}, spring"
    assert about(office, "compare", second, first=first, second=second) == f"{RUNS[second]}, {RUNS[first]}"
    assert about(office, "leaks", "000002-0123456789ab", version="000002-0123456789ab") == "000002-0123456789ab"
    assert about(office, "score", "c" * 12, run="c" * 12) == ""


def test_work_for_a_gate_names_its_cutoffs(office: Office) -> None:
    office.person("Ada", Role.RESEARCHER)
    enter(office, "cutoffs", {"d" * 12: "QMR-KBW-01, spring"})
    with office.server.sessions.begin() as db:
        person = db.query(User).one()
        db.add(Release(id="e" * 12, cutoffs_id="d" * 12, proposed_by_id=person.id, reason="better"))
    assert about(office, "export", "e" * 12, release="e" * 12) == "QMR-KBW-01, spring"


def test_the_pages_show_it(office: Office) -> None:
    researcher = office.role(Role.RESEARCHER)
    for config in ("quick", "tuned"):
        about(office, "train", "training", config=config, policy="spring", version="latest")
    for path in ("/jobs", "/models"):
        page = researcher.get(path).text
        assert re.findall(r"<td>((?:quick|tuned), spring)</td>", page) == ["tuned, spring", "quick, spring"]
    with office.server.sessions() as db:
        job = db.query(Job).filter(Job.kind == "train").order_by(Job.created_at).first()
        assert job is not None
    assert "<strong>quick, spring</strong>" in researcher.get(f"/jobs/{job.id}").text
