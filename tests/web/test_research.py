"""The researcher's and the engineer's way, on the invented score world and a model of colours."""

from __future__ import annotations

import io
import re
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pytest

from passage_cv.dataset.ledger import uses_of
from passage_cv.dataset.store import Store
from passage_cv.evaluation.page_script import script_source
from passage_cv.files import sha256_file
from passage_cv.gate.verify import verify_package
from passage_cv.scores import write_scores
from passage_cv.web.people import Role
from passage_cv.web.tables import Job, Made, Release, Service
from tests.batches import trip_rows, write_batch
from tests.gate_world import build_world, policy_toml
from tests.web.conftest import Browser, Office
from tests.worlds import CODES, five_class_policy, five_class_scores

N_TRIPS = 4
"""Of each five trips two go to train: among four there is always one, and a package needs its pictures."""
SCRIPT = "<script>alert(1)</script>"


@pytest.fixture
def researcher(office: Office) -> Browser:
    return office.role(Role.RESEARCHER)


@pytest.fixture
def engineer(office: Office) -> Browser:
    return office.role(Role.ENGINEER)


def begin(researcher: Browser, **fields: str) -> None:
    assert researcher.post("/policies", name="spring", text=policy_toml(five_class_policy())).status_code == 303
    assert researcher.post("/data", unit="trip", policy="spring", **fields).status_code == 303


def accept(office: Office, folder: Path) -> None:
    technician = office.role(Role.TECHNICIAN)
    batch = technician.begin(name=folder.name)
    technician.send_folder(batch, folder)
    for step in ("check", "accept"):
        assert technician.post(f"/batches/{batch}/{step}").status_code == 303
        office.work()
    with office.server.sessions() as db:
        refusals = [job.refusal for job in db.query(Job).filter(Job.subject == batch) if job.refusal]
    assert not refusals


def enter_scores(office: Office, tmp_path: Path) -> str:
    """A run and scores as the jobs ``train`` and ``score`` would enter them."""
    data = office.settings.data
    world = build_world(tmp_path / "world")
    run = shutil.copytree(world.run, data / "made" / "run" / "a")
    meta = {"model_sha256": sha256_file(Path(run) / "model.onnx"), "version": ""}
    place = data / "made" / "scores" / "b"
    place.mkdir(parents=True)
    write_scores(five_class_scores(np.random.default_rng(1), meta=meta), place / "scores.parquet")
    facts = {"model_sha256": meta["model_sha256"], "version": "", "policy": "spring"}
    with office.server.sessions.begin() as db:
        db.add(Made(id="a" * 12, kind="run", title="quick", path="made/run/a", sources={}, facts=facts, who="t"))
        sources = {"run": "a" * 12}
        db.add(Made(id="b" * 12, kind="scores", title="q", path="made/scores/b", sources=sources, facts={}, who="t"))
    return "b" * 12


def last(office: Office, kind: str) -> Job:
    with office.server.sessions() as db:
        return db.query(Job).filter(Job.kind == kind).order_by(Job.created_at.desc()).first()  # type: ignore[return-value]


def calibrated(office: Office, researcher: Browser, tmp_path: Path) -> str:
    scores = enter_scores(office, tmp_path)
    assert researcher.post("/cutoffs", scores=scores, policy="spring").status_code == 303
    office.work()
    job = last(office, "calibrate")
    assert job.state == "done", job.refusal
    return job.id


def test_the_data_set_is_begun_once_and_for_good(office: Office, researcher: Browser) -> None:
    begin(researcher, train="0.5", cut="0.3", test="0.2")
    settings = Store.open(office.settings.store_root).settings
    assert (settings.shares.train, settings.limited[0]) == (0.5, "Acipenser brevirostrum")
    assert researcher.post("/data", unit="individual").status_code == 422
    assert Store.open(office.settings.store_root).settings == settings


@pytest.mark.parametrize("fields", [{"train": "0.9"}, {"unit": "haul"}, {"policy": "none such"}, {"train": "x"}])
def test_wrong_beginnings_are_refused(office: Office, researcher: Browser, fields: dict[str, str]) -> None:
    assert researcher.post("/data", **fields).status_code == 422
    assert not Path(office.settings.store_root, "store.toml").exists()


def test_a_policy_never_changes_under_its_name(researcher: Browser) -> None:
    text = policy_toml(five_class_policy())
    assert researcher.post("/policies", name="spring", text=text).status_code == 303
    assert researcher.post("/policies", name="spring", text=text + "# changed").status_code == 422
    for name in ("../spring", "", ".x", "a/b"):
        assert researcher.post("/policies", name=name, text=text).status_code == 422
    assert researcher.post("/policies", name="bad", text="format = 1").status_code == 422
    assert researcher.post("/policies", name="bad", text="= no toml").status_code == 422


def test_versions_coverage_roles_and_diff(office: Office, researcher: Browser, tmp_path: Path) -> None:
    begin(researcher)
    for n in (1, 2):
        rows = trip_rows(f"T{n}", 4)
        accept(office, write_batch(tmp_path / f"trip-{n}", rows))
    names = [info["name"] for info in office.role(Role.RESEARCHER).get("/api/versions").json()]
    assert len(names) == 2
    page = researcher.get(f"/data/{names[1]}").text
    assert "Channa argus" in page
    assert "T1" in page
    diff = researcher.get(f"/data/{names[1]}/since/{names[0]}").text
    assert "4 pictures came" in diff
    assert researcher.get("/data/000009-000000000000").status_code == 422


def test_cutoffs_report_and_ledger(office: Office, researcher: Browser, tmp_path: Path) -> None:
    begin(researcher)
    cutoffs = calibrated(office, researcher, tmp_path)
    store = Store.open(office.settings.store_root)
    assert [use.purpose for use in uses_of(store, "cut")] == ["calibrate"]
    page = researcher.get(f"/cutoffs/{cutoffs}").text
    assert re.search(r"at most 5(\.00)? % are passed", page)
    researcher.post(f"/cutoffs/{cutoffs}/evaluate")
    office.work()
    report = last(office, "evaluate")
    assert report.state == "done", report.refusal
    assert [use.purpose for use in uses_of(store, "test")] == ["evaluate"]
    answer = researcher.get(f"/reports/{report.id}/report.html")
    assert "sandbox" in answer.headers["content-security-policy"]
    runs = re.findall(r"script-src ([^;]*)", answer.headers["content-security-policy"])
    assert runs == [script_source()]  # one hash, and nothing inline beside it
    assert researcher.get(f"/reports/{report.id}/classes.csv").status_code == 200
    assert researcher.get(f"/reports/{report.id}/..%2f..%2f..%2fsecret").status_code in {404, 422}
    assert "setting cutoffs" in researcher.get("/ledger").text


def test_a_policy_that_asks_too_much_gives_cutoffs_that_allow_nothing_and_says_so(
    office: Office, researcher: Browser, tmp_path: Path
) -> None:
    begin(researcher)
    strict = policy_toml(five_class_policy()).replace("miss_limit = 0.05", "miss_limit = 0.001")
    researcher.post("/policies", name="strict", text=strict)
    researcher.post("/cutoffs", scores=enter_scores(office, tmp_path), policy="strict")
    office.work()
    job = last(office, "calibrate")
    assert job.state == "done"
    assert "not shown" in researcher.get("/cutoffs").text
    assert "nothing" in researcher.get(f"/cutoffs/{job.id}").text
    assert job.result["unmet"][0][:40] in researcher.get(f"/jobs/{job.id}").text


def propose(researcher: Browser, cutoffs: str, reason: str = "fewer holds") -> str:
    answer = researcher.post(f"/cutoffs/{cutoffs}/propose", reason=reason)
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"]).rpartition("/")[2]


def released(office: Office, researcher: Browser, engineer: Browser, cutoffs: str) -> str:
    """Proposed, accepted, packed and verified."""
    release = propose(researcher, cutoffs)
    for path, fields in (("answer", {"accept": "true"}), ("verify", {})):
        assert engineer.post(f"/releases/{release}/{path}", **fields).status_code == 303
        office.work()
        assert last(office, "export").state == "done", last(office, "export").refusal
        assert engineer.get(f"/releases/{release}").status_code == 200
    return release


@pytest.fixture
def cutoffs(office: Office, researcher: Browser, tmp_path: Path) -> str:
    begin(researcher)
    for n in range(1, N_TRIPS + 1):
        accept(office, write_batch(tmp_path / f"trip-{n}", trip_rows(f"T{n}", 10, CODES)))
    return calibrated(office, researcher, tmp_path)


def test_release_by_two_persons_to_service_and_back(
    office: Office, researcher: Browser, engineer: Browser, cutoffs: str, tmp_path: Path
) -> None:
    release = released(office, researcher, engineer, cutoffs)
    page = engineer.get(f"/releases/{release}").text
    assert "every byte" in page
    data = engineer.get(f"/releases/{release}/package.zip")
    with zipfile.ZipFile(io.BytesIO(data.content)) as packed:
        packed.extractall(tmp_path / "gate")
    (folder,) = (tmp_path / "gate").iterdir()
    assert verify_package(folder).ok
    with office.server.sessions() as db:
        package = db.get_one(Made, db.get_one(Release, release).package_id)
    assert sha256_file(folder / "manifest.json") == sha256_file(office.settings.data / package.path / "manifest.json")
    assert engineer.post(f"/releases/{release}/service", reason="").status_code == 422
    assert engineer.post(f"/releases/{release}/service", reason="season begins").status_code == 303
    assert engineer.post(f"/releases/{release}/service", reason="again").status_code == 422
    assert engineer.post("/service/back", site="QMR-KBW-01", release_id=release, reason="none").status_code == 422
    researcher.post("/cutoffs", scores="b" * 12, policy="spring")
    office.work()
    second = released(office, researcher, engineer, last(office, "calibrate").id)
    assert engineer.post(f"/releases/{second}/service", reason="better").status_code == 303
    assert re.search(r"Go back to [^<]+, in service until 20", engineer.get("/service").text)
    back = {"site": "QMR-KBW-01", "release_id": release}
    assert engineer.post("/service/back", **back, reason="lens fouled").status_code == 303
    assert engineer.post("/service/back", **back, reason="pressed twice").status_code == 422
    with office.server.sessions() as db:
        assert [line.release_id for line in db.query(Service).order_by(Service.id)] == [release, second, release]
    assert "lens fouled" in engineer.get("/service").text


def test_nobody_proposes_and_accepts(office: Office, cutoffs: str) -> None:
    both = office.role(Role.RESEARCHER, Role.ENGINEER)
    release = propose(both, cutoffs)
    answer = both.post(f"/releases/{release}/answer", accept="true")
    assert answer.status_code == 422
    assert "same person" in answer.text
    assert "another person decides" in both.get(f"/releases/{release}").text.lower()
    with office.server.sessions() as db:
        assert db.get_one(Release, release).state == "proposed"
        assert db.query(Job).filter(Job.kind == "export").count() == 0


def test_a_proposal_is_returned_with_a_reason_and_made_again(
    office: Office, researcher: Browser, engineer: Browser, cutoffs: str
) -> None:
    release = propose(researcher, cutoffs)
    page = engineer.get("/releases").text
    assert page.count("at most 5 % are passed") == 2  # the limits of what waits, in words
    assert researcher.post(f"/cutoffs/{cutoffs}/propose", reason="twice").status_code == 422
    assert engineer.post(f"/releases/{release}/answer", accept="false").status_code == 422
    assert engineer.post(f"/releases/{release}/answer", accept="false", text="which lamp?").status_code == 303
    assert engineer.post(f"/releases/{release}/answer", accept="true").status_code == 422
    assert "which lamp?" in researcher.get(f"/releases/{release}").text
    assert "at most" not in engineer.get("/releases").text
    propose(researcher, cutoffs)


def test_an_altered_package_does_not_go_into_service(
    office: Office, researcher: Browser, engineer: Browser, cutoffs: str
) -> None:
    release = propose(researcher, cutoffs)
    engineer.post(f"/releases/{release}/answer", accept="true")
    office.work()
    assert engineer.post(f"/releases/{release}/service", reason="unverified").status_code == 422
    with office.server.sessions() as db:
        package = db.get_one(Made, db.get_one(Release, release).package_id)
    with (office.settings.data / package.path / "cutoffs.json").open("ab") as stream:
        stream.write(b" ")
    engineer.post(f"/releases/{release}/verify")
    office.work()
    assert "FAILS" in engineer.get(f"/releases/{release}").text
    assert engineer.post(f"/releases/{release}/service", reason="altered").status_code == 422


def test_script_in_reasons_stays_text(office: Office, researcher: Browser, engineer: Browser, cutoffs: str) -> None:
    release = str(researcher.post(f"/cutoffs/{cutoffs}/propose", reason=SCRIPT).headers["location"]).rpartition("/")[
        2
    ]
    engineer.post(f"/releases/{release}/answer", accept="false", text=SCRIPT)
    for page in (f"/releases/{release}", "/releases", f"/cutoffs/{cutoffs}"):
        assert SCRIPT not in engineer.get(page).text
    assert "&lt;script&gt;" in engineer.get(f"/releases/{release}").text


def test_training_needs_what_it_names(office: Office, researcher: Browser) -> None:
    assert researcher.post("/models", config="quick", policy="spring").status_code == 422
    begin(researcher)
    assert researcher.post("/models", config="../quick", policy="spring").status_code == 422
    assert researcher.post("/models", config="quick", policy="spring").status_code == 303
    with office.server.sessions() as db:
        assert db.query(Job).filter(Job.kind == "train").one().state == "waiting"
