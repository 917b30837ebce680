"""Fine-tuning through the queue for real: a small network on a dozen small pictures, and one that is stopped."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from passage_cv.recognition.model import GateModel
from passage_cv.recognition.settings import settings_as_toml
from passage_cv.web.people import Role
from passage_cv.web.tables import Job
from passage_cv.web.worker import Workers, log_path
from tests.batches import trip_rows, write_batch
from tests.gate_world import policy_toml
from tests.recognition.conftest import tuned_settings
from tests.web.conftest import Browser, Office
from tests.web.test_jobs import read
from tests.web.test_research import accept
from tests.worlds import CODES, five_class_policy

pytestmark = pytest.mark.slow
LONG_S = 300
"""A network is written in some seconds; the rest is for a machine with other work."""


@pytest.fixture
def researcher(office: Office, tmp_path: Path) -> Browser:
    """Two of the first five fish of every class are in train, perhaps the sixth too: a dozen of thirty."""
    found = office.role(Role.RESEARCHER)
    found.post("/policies", name="spring", text=policy_toml(five_class_policy()))
    assert found.post("/data", unit="individual", policy="spring").status_code == 303
    accept(office, write_batch(tmp_path / "trip", trip_rows("T1", 30, CODES)))
    for name, epochs in (("small", 2), ("long", 200)):
        text = settings_as_toml(tuned_settings(epochs=epochs, judged_every=epochs // 2))
        assert found.post("/models/set-ups", name=name, text=text).status_code == 303
    return found


@pytest.fixture
def workers(office: Office) -> Iterator[Workers]:
    """The queue with its child processes, as a server runs it."""
    found = Workers(office.settings, office.server.sessions)
    found.start()
    yield found
    found.stop()


@pytest.mark.usefixtures("workers")
def test_a_small_network_from_its_form_to_its_page(office: Office, researcher: Browser) -> None:
    job_id = start(researcher, "small")
    seen = watch(office, job_id, lambda job: bool(job.ended_at))
    assert read(office, job_id).state == "done", read(office, job_id).refusal
    assert any(label.startswith("Fine-tuning, fit") for label, _ in seen)
    assert "Fine-tuning, fit 1: 2" in log_path(office.settings, job_id).read_text()
    page = researcher.get(f"/models/{job_id}").text
    for name in ("reliability.svg", "curves.svg", "classes.csv"):
        assert f"/models/{job_id}/files/{name}" in page
        assert researcher.get(f"/models/{job_id}/files/{name}").status_code == 200
    counts = re.findall(r'<th scope="row">(?:NSH|SNS|BOW|BCF|AMS)</th><td class="n">(\d+)</td>', page)
    assert len(counts) == len(CODES)
    assert set(counts) <= {"2", "3"}
    place = office.settings.data / "made" / "run"
    assert GateModel(place / job_id / "model.onnx")
    assert left_in(place) == {job_id}


def test_one_that_is_stopped_in_the_middle_leaves_nothing(
    office: Office, researcher: Browser, workers: Workers
) -> None:
    job_id = start(researcher, "long")
    place = office.settings.data / "made" / "run"
    seen = watch(office, job_id, lambda job: job.label == "Fine-tuning, fit 2" and job.done > 1)
    assert len({done for label, done in seen if label == "Fine-tuning, fit 1"}) > 1
    assert [path.name.endswith(".unfinished") for path in place.iterdir()] == [True]
    assert researcher.post(f"/jobs/{job_id}/stop").status_code == 303
    watch(office, job_id, lambda job: bool(job.ended_at))
    assert read(office, job_id).state == "cancelled"
    workers.stop()
    assert left_in(place) == set()
    assert until(lambda: not processes_of(office))
    assert "long on" not in researcher.get("/models").text


def start(researcher: Browser, set_up: str) -> str:
    answer = researcher.post("/models", config=set_up, policy="spring", version="latest")
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"]).rpartition("/")[2]


def watch(office: Office, job_id: str, is_there: Callable[[Job], bool]) -> list[tuple[str, int]]:
    """Wait for a job to get somewhere; what it told on the way: its step, and how much of it was done."""
    seen: list[tuple[str, int]] = []

    def look() -> bool:
        job = read(office, job_id)
        seen.append((job.label, job.done))
        assert not job.ended_at or is_there(job), job.refusal
        return is_there(job)

    assert until(look), log_path(office.settings, job_id).read_text()
    return seen


def until(is_so: Callable[[], bool]) -> bool:
    end = time.monotonic() + LONG_S
    while time.monotonic() < end:
        if is_so():
            return True
        time.sleep(0.05)
    return False


def left_in(place: Path) -> set[str]:
    """What a folder of runs holds, but for what tracks them all."""
    return {path.name for path in place.iterdir() if not path.name.startswith("ml")}


def processes_of(office: Office) -> list[str]:
    """Processes that work for this office: its data folder is in their environment."""
    found = []
    for path in Path("/proc").glob("[0-9]*/environ"):
        try:
            is_ours = f"PASSAGE_WEB_DATA={office.settings.data}".encode() in path.read_bytes().split(b"\0")
        except OSError:  # it has ended
            continue
        found += [path.parent.name] if is_ours else []
    return found
