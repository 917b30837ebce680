"""Pages that look and decide nothing: coverage, leaks, comparison, what-if, the gate's log, the live log."""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from passage_cv.dataset.leaks import Leak
from passage_cv.dataset.ledger import uses_of
from passage_cv.dataset.missing import what_is_missing
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.gate.site import Audit
from passage_cv.planning.sampling import plan_for_policy
from passage_cv.scores import write_scores
from passage_cv.service.traffic import run_traffic
from passage_cv.web.people import Role
from passage_cv.web.tables import Made, Release
from passage_cv.web.worker import log_path
from tests.batches import trip_rows, write_batch
from tests.gate_world import write_traffic_folder
from tests.web.conftest import Browser, Office
from tests.web.test_jobs import add
from tests.web.test_research import N_TRIPS, accept, begin, enter_scores, last, released
from tests.worlds import CODES, five_class_policy, five_class_scores


@pytest.fixture
def researcher(office: Office) -> Browser:
    return office.role(Role.RESEARCHER)


@pytest.fixture
def engineer(office: Office) -> Browser:
    return office.role(Role.ENGINEER)


def test_coverage_and_leaks_of_a_version(office: Office, researcher: Browser, tmp_path: Path) -> None:
    begin(researcher)
    for n in (1, 2):
        accept(office, write_batch(tmp_path / f"trip-{n}", trip_rows(f"T{n}", 4)))
    page = researcher.get("/data/2/cover").text
    assert "Channa argus" in page
    assert "By light" in page
    assert "fewer than 5 fish" in page
    page = researcher.get("/data/2/leaks").text
    assert "Nothing is shared that must not be" in page
    assert "pictures (SHA-256)" in page
    assert "draws that seed and place do not give" in page
    assert "Needed in cut" in page


def test_the_page_for_a_sceptic_counts_what_limits_lack(office: Office, researcher: Browser, tmp_path: Path) -> None:
    begin(researcher)
    accept(office, write_batch(tmp_path / "trip", trip_rows("T1", 10, CODES)))
    version = open_version(Store.open(office.settings.store_root))
    (role,) = set(version.table()["role"].to_pylist())
    for one in what_is_missing(version, {}):
        assert one.individuals == {role: 2}  # ten pictures of five classes, a fish each
    page = researcher.get(f"/data/{version.name}/leaks?policy=spring").text
    row = re.search(r'<th scope="row">Channa argus</th>(.*?)</tr>', page, re.DOTALL)
    assert row
    cells = [unescape(cell) for cell in re.findall(r"<td[^>]*>(.*?)</td>", row[1])]
    (need,) = (one for one in plan_for_policy(five_class_policy()) if one.name == "Channa argus")
    assert cells[["train", "cut", "test"].index(role)] == "2 (1)"
    assert cells[3:5] == [str(need.individuals), str(need.individuals - (2 if role == "cut" else 0))]
    assert researcher.get(f"/data/{version.name}/leaks?policy=none").status_code == 422


def test_a_role_that_was_not_drawn_shows(
    office: Office, researcher: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin(researcher)
    chosen = Leak("draws that seed and place do not give", 1, 1, allowed=False, examples=("T1",))
    monkeypatch.setattr("passage_cv.web.remembered.check_draws", lambda _: [chosen])
    accept(office, write_batch(tmp_path / "trip", trip_rows("T1", 4)))
    page = researcher.get("/data/1/leaks").text
    (row,) = re.findall(r"draws that seed and place do not give</th>(.*?)</tr>", page, re.DOTALL)
    assert "must not be" in row
    assert "T1" in row


def test_a_large_version_is_looked_through_in_the_background(
    office: Office, researcher: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin(researcher)
    monkeypatch.setattr("passage_cv.web.remembered.AT_ONCE", 3)
    accept(office, write_batch(tmp_path / "trip", trip_rows("T1", 4)))
    office.work()  # what the accept asked for
    assert last(office, "leaks").state == "done", last(office, "leaks").refusal
    assert "Nothing is shared that must not be" in researcher.get("/data/1/leaks").text


def enter_run(office: Office, name: str, *, seed: int) -> str:
    """A run with out-of-fold scores as training leaves them."""
    place = office.settings.data / "made" / "run" / name
    place.mkdir(parents=True)
    scores = five_class_scores(np.random.default_rng(seed), per_class=40, meta={"version": "v"})
    write_scores(scores, place / "train_scores.parquet")
    (place / "metrics.json").write_text('{"version": "v", "roles_sha256": "0", "fold_unit": "trip"}')
    (place / "mlflow.txt").write_text("0123456789abcdef0123456789abcdef\n")
    facts = {"model_sha256": name * 8, "version": "v", "policy": "spring", "metrics": {"log_loss": 0.5, "x": "text"}}
    made = Made(
        id=name * 2, kind="run", title=f"run {name}", path=f"made/run/{name}", sources={}, facts=facts, who="t"
    )
    with office.server.sessions.begin() as db:
        db.add(made)
    return name * 2


def test_two_models_are_compared_on_the_same_fish(office: Office, researcher: Browser) -> None:
    begin(researcher)
    one, two = (enter_run(office, name, seed=seed) for name, seed in (("aaaaaa", 1), ("bbbbbb", 2)))
    page = researcher.get(f"/models/{one}").text
    assert "log loss" in page
    assert "0123456789abcdef" in page
    assert researcher.post("/models/compare", first=one, second=one).status_code == 422
    assert researcher.post("/models/compare", first=one, second=two).status_code == 303
    office.work()
    job = last(office, "compare")
    assert job.state == "done", job.refusal
    page = researcher.get(f"/models/compare/{job.id}").text
    assert "Expected cost per presentation under the policy" in page
    assert "NSH" in page
    assert f"/models/compare/{job.id}" in researcher.get(f"/models/{two}").text
    for name, run, sha256 in (("First", one, "a" * 12), ("Second", two, "b" * 12)):  # their titles could be alike
        row = re.search(rf'<th scope="row">{name}</th>(.*?)</tr>', page)
        assert row
        assert f'href="/models/{run}"' in row[1]
        assert sha256 in row[1]
        assert re.search(r"20\d\d-\d\d-\d\d \d\d:\d\d UTC", row[1])


def test_lists_that_are_cut_say_so(
    office: Office, researcher: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin(researcher)
    for n in (1, 2):
        accept(office, write_batch(tmp_path / f"trip-{n}", trip_rows(f"T{n}", 4)))
        monkeypatch.setattr("passage_cv.web.remembered.DRAWS_SHOWN", 1)
    one, two = (enter_run(office, name, seed=seed) for name, seed in (("aaaaaa", 1), ("bbbbbb", 2)))
    researcher.post("/models/compare", first=one, second=two)
    office.work()
    assert "The first" not in researcher.get("/data/1").text
    assert "The first 1 of 2 are shown" in researcher.get("/data/2").text  # two trips were drawn
    pages = (f"/models/compare/{last(office, 'compare').id}", "/data/2/cover")
    assert ["The first" in researcher.get(page).text for page in pages] == [False, False]
    monkeypatch.setattr("passage_cv.web.views.models.DISAGREEMENTS_SHOWN", 2)
    monkeypatch.setattr("passage_cv.web.views.research.THIN_SHOWN", 2)
    for page in pages:
        text = researcher.get(page).text
        (told,) = re.findall(r"The first 2 of (\d+) are shown", text)
        assert int(told) > 2
        table = text[text.index("The first") :].partition("</table>")[0]
        assert table.count("<tr>") == 3  # with its headings


@pytest.mark.parametrize("address", ["https://mlflow.example/", "javascript:alert(1)", ""])
def test_a_run_links_to_its_page_in_mlflow(make_office: object, address: str) -> None:
    office: Office = make_office(tracking=address)  # type: ignore[operator]
    run = enter_run(office, "aaaaaa", seed=1)
    page = office.role(Role.RESEARCHER).get(f"/models/{run}").text
    wanted = 'href="https://mlflow.example/#/runs/0123456789abcdef0123456789abcdef"'
    assert (wanted in page) == address.startswith("https")
    assert "javascript" not in page


def test_what_if_moves_demands_and_spends_nothing(office: Office, researcher: Browser, tmp_path: Path) -> None:
    begin(researcher)
    scores = enter_scores(office, tmp_path)
    assert researcher.post("/cutoffs/try", scores=scores, policy="none such").status_code == 422
    assert researcher.post("/cutoffs/try", scores=scores, policy="spring").status_code == 303
    office.work()
    job = last(office, "try")
    assert job.state == "done", job.refusal
    page = researcher.get(f"/cutoffs/try/{job.id}").text
    assert "Other limits" in page
    assert "expected cost" in page
    assert not uses_of(Store.open(office.settings.store_root), "cut")


def test_a_gate_log_is_read_against_the_package_in_service(
    office: Office, researcher: Browser, engineer: Browser, tmp_path: Path
) -> None:
    begin(researcher)
    for n in range(1, N_TRIPS + 1):
        accept(office, write_batch(tmp_path / f"trip-{n}", trip_rows(f"T{n}", 10, CODES)))
    researcher.post("/cutoffs", scores=enter_scores(office, tmp_path), policy="spring")
    office.work()
    release = released(office, researcher, engineer, last(office, "calibrate").id)
    send = {
        "data": {"mark": engineer.mark, "site": "QMR-KBW-01"},
        "files": {"log": ("gate.sqlite", b"no log at all")},
    }
    assert engineer.client.post("/service/log", **send).status_code == 422  # type: ignore[arg-type]
    engineer.post(f"/releases/{release}/service", reason="season begins")
    assert engineer.client.post("/service/log", **send).status_code == 422  # type: ignore[arg-type]
    with office.server.sessions() as db:
        package = office.settings.data / db.get_one(Made, db.get_one(Release, release).package_id).path
    traffic = write_traffic_folder(tmp_path / "traffic", [("NSH",), ("AMS",), ("dull",), ()])
    run_traffic(package, traffic, tmp_path / "gate.sqlite", audit=Audit(share=1.0))
    send["files"] = {"log": ("gate.sqlite", (tmp_path / "gate.sqlite").read_bytes())}  # type: ignore[dict-item]
    assert engineer.client.post("/service/log", **send).status_code == 303  # type: ignore[arg-type]
    office.work()
    job = last(office, "status")
    assert job.state == "done", job.refusal
    page = engineer.get(f"/service/status/{job.id}").text
    assert "Drawn presentations that were looked at: 0 of 4" in page
    assert "no audit alarm" in page
    assert "Gate log: 4 presentations" in researcher.get("/service").text
    assert researcher.client.post("/service/log", **send).status_code == 403  # type: ignore[arg-type]


def test_the_log_of_running_work_grows_on_the_page(office: Office, researcher: Browser) -> None:
    job_id = add(office, "train")
    assert "Nothing was printed" in researcher.get(f"/jobs/{job_id}/log").text
    log_path(office.settings, job_id).write_text("x" * 30_000 + "epoch 7 <script>\n")
    text = researcher.get(f"/jobs/{job_id}/log").text
    assert "epoch 7 &lt;script&gt;" in text
    assert len(text) < 21_000
    assert "hx-trigger" in text
    shutil.rmtree(office.settings.data / "logs")
    assert "Nothing was printed" in researcher.get(f"/jobs/{job_id}").text
