"""The queue: nothing lost by a restart, nothing done twice, stopped when asked, and a real child process."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from passage_cv.errors import InputError
from passage_cv.web import jobs, worker
from passage_cv.web.database import Sessions
from passage_cv.web.jobs import Cancelled, Work
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch, Job
from passage_cv.web.worker import TASKS, Workers, find_task
from tests.batches import write_batch
from tests.web.conftest import Office

LONG_AGO = "2020-01-01T00:00:00.000+00:00"


def add(office: Office, kind: str = "check") -> str:
    with office.server.sessions.begin() as db:
        return jobs.add_job(db, kind, "something", {}, "Ada").id


def read(office: Office, job_id: str) -> Job:
    with office.server.sessions() as db:
        return db.get_one(Job, job_id)


def claim(office: Office, lane: str = "short") -> str:
    return jobs.claim(office.server.sessions, lane, lease_s=20)


def work(office: Office, job_id: str) -> Work:
    return Work(read(office, job_id), office.settings, office.server.sessions)


def test_every_kind_of_work_has_its_function() -> None:
    assert all(callable(find_task(kind)) for kind in TASKS)


def test_the_oldest_is_taken_first_and_once(office: Office) -> None:
    first, second = add(office), add(office)
    assert [claim(office), claim(office), claim(office)] == [first, second, ""]


def test_lanes_do_not_wait_for_each_other(office: Office) -> None:
    training = add(office, "train")
    assert claim(office, "short") == ""
    assert claim(office, "long") == training


def test_training_waits_for_no_search_for_leaks(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    """After an accept of a large batch the search takes minutes: one runs, another waits, and a training begins."""
    begun, may_end = dict[str, threading.Event](), threading.Event()
    for kind in ("leaks", "leaks", "train"):
        begun[add(office, kind)] = threading.Event()
    searching, waiting, training = begun

    def attend(_: Workers, job_id: str) -> None:
        begun[job_id].set()
        may_end.wait(10)

    monkeypatch.setattr(Workers, "_attend", attend)
    workers = Workers(office.settings, office.server.sessions)
    workers.start()
    try:
        assert begun[searching].wait(10)
        assert begun[training].wait(10)
        assert not begun[waiting].is_set()
    finally:
        workers._stop.set()
        may_end.set()
        workers.stop()


@pytest.mark.parametrize(("kind", "gives_way"), [("leaks", [19]), ("train", []), ("check", [])])
def test_a_search_for_leaks_leaves_the_processor_to_others(
    office: Office, monkeypatch: pytest.MonkeyPatch, kind: str, gives_way: list[int]
) -> None:
    nice, run = list[int](), list[str]()
    monkeypatch.setattr("os.nice", nice.append)
    monkeypatch.setattr(worker, "read_environment", lambda: office.settings)
    monkeypatch.setattr(worker, "run_claimed", lambda job_id, *_: run.append(job_id))
    job_id = add(office, kind)
    monkeypatch.setattr("sys.argv", ["worker", job_id])
    worker.main()
    assert (nice, run) == (gives_way, [job_id])


def away() -> OperationalError:
    """What a database says that cannot be reached."""
    return OperationalError("SELECT", {}, Exception("no connection"))


def test_a_database_that_is_away_for_a_moment_does_not_end_the_queue(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers, seen = iter([away(), away()]), threading.Event()

    def claim_or_not(sessions: Sessions, lane: str, *, lease_s: float) -> str:
        if error := next(answers, None):
            raise error
        return jobs.claim(sessions, lane, lease_s=lease_s)

    monkeypatch.setattr(worker, "claim", claim_or_not)
    monkeypatch.setattr(worker, "_IDLE_S", 0.01)
    monkeypatch.setattr(Workers, "_attend", lambda *_: seen.set())
    add(office)
    workers = Workers(office.settings, office.server.sessions)
    workers.start()
    assert seen.wait(10)
    workers.stop()


@pytest.mark.parametrize(("away_for", "is_held"), [(3, True), (10**6, False)], ids=["a moment", "a whole lease"])
def test_running_work_outlives_a_database_that_is_away_within_its_lease(
    office: Office, monkeypatch: pytest.MonkeyPatch, away_for: int, is_held: bool
) -> None:
    job_id = add(office)
    claim(office)
    left = iter(range(away_for))

    def renew_or_not(sessions: Sessions, held: str, *, lease_s: float) -> str:
        if next(left, None) is not None:
            raise away()
        child.terminate()  # it has had its time
        return jobs.renew(sessions, held, lease_s=lease_s)

    monkeypatch.setattr(worker, "renew", renew_or_not)
    monkeypatch.setattr(worker, "_IDLE_S", 0.01)
    settings = office.settings.model_copy(update={"lease_s": 0.5})
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    try:
        assert Workers(settings, office.server.sessions)._hold(job_id, child) == is_held
    finally:
        worker.end_child(child)


def test_a_child_that_does_not_end_when_asked_is_ended(tmp_path: Path) -> None:
    deaf = (
        "import pathlib, signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN);"
        f"pathlib.Path({str(tmp_path / 'deaf')!r}).touch(); time.sleep(60)"
    )
    child = subprocess.Popen([sys.executable, "-c", deaf])
    while not (tmp_path / "deaf").exists():
        time.sleep(0.01)
    worker.end_child(child, patience_s=0.2)
    assert child.returncode == -signal.SIGKILL


def test_work_whose_lease_ran_out_is_taken_over_but_not_for_ever(office: Office) -> None:
    job_id = add(office)
    for _ in range(jobs.MOST_STARTS):
        assert claim(office) == job_id
        with office.server.sessions.begin() as db:
            db.get_one(Job, job_id).lease_until = LONG_AGO
    assert claim(office) == ""
    assert read(office, job_id).state == "failed"
    assert "Stopped 3 times" in read(office, job_id).refusal["what"]


def test_a_refusal_is_kept_in_its_three_parts(office: Office) -> None:
    def refuse(given: Work) -> dict[str, object]:
        raise InputError("Too few", where="sheet.csv", do="Add some.")

    job_id = add(office)
    claim(office)
    jobs.run(work(office, job_id), refuse)
    assert read(office, job_id).refusal == {"what": "Too few", "where": "sheet.csv", "do": "Add some."}


def test_an_unexpected_error_is_kept_and_raised(office: Office) -> None:
    def break_(given: Work) -> dict[str, object]:
        raise ZeroDivisionError("oh")

    job_id = add(office)
    claim(office)
    with pytest.raises(ZeroDivisionError):
        jobs.run(work(office, job_id), break_)
    assert read(office, job_id).state == "failed"


def test_waiting_work_stops_at_once_and_running_work_at_its_next_word(office: Office) -> None:
    waiting = add(office)
    with office.server.sessions.begin() as db:
        assert jobs.cancel(db, waiting).state == "cancelled"
    running = add(office)
    assert claim(office) == running
    with office.server.sessions.begin() as db:
        assert jobs.cancel(db, running).state == "cancelling"
    with pytest.raises(Cancelled):
        work(office, running).progress("Training", 1, 2)
    jobs.run(work(office, running), lambda given: given.progress("Training", 1, 2) or {})  # type: ignore[func-returns-value]
    assert read(office, running).state == "cancelled"


def test_accepting_is_not_stopped_half_way(office: Office) -> None:
    job_id = add(office, "accept")
    with office.server.sessions.begin() as db, pytest.raises(InputError, match="cannot be stopped"):
        jobs.cancel(db, job_id)


def test_progress_is_told_and_renews_the_lease(office: Office) -> None:
    job_id = add(office)
    claim(office)
    with office.server.sessions.begin() as db:
        db.get_one(Job, job_id).lease_until = LONG_AGO
    work(office, job_id).progress("Looking at pictures", 3, 10)
    job = read(office, job_id)
    assert (job.label, job.done, job.total) == ("Looking at pictures", 3, 10)
    assert job.lease_until > LONG_AGO


def test_each_new_step_is_a_line_of_the_log(office: Office) -> None:
    job_id, lines = add(office), list[str]()
    with office.server.sessions() as db:
        job = db.get_one(Job, job_id)
    told = jobs.Work(job, office.settings, office.server.sessions, lines.append)
    for label, done in (("Reading", 0), ("Reading", 1), ("Looking", 0)):
        told.progress(label, done, 2)
    assert [line.partition(" ")[2] for line in lines] == ["Reading: 2\n", "Looking: 2\n"]


def test_the_state_of_ended_work_asks_the_page_to_load_again(office: Office) -> None:
    boss = office.role(Role.RESEARCHER)
    job_id = add(office)
    assert "hx-trigger" in boss.get(f"/jobs/{job_id}/state").text
    jobs.end(office.server.sessions, job_id, "done", result={})
    answer = boss.get(f"/jobs/{job_id}/state")
    assert answer.headers["hx-refresh"] == "true"
    assert "hx-trigger" not in answer.text


def test_other_peoples_work_is_not_shown(office: Office) -> None:
    job_id = add(office)
    assert office.role(Role.TECHNICIAN).get(f"/jobs/{job_id}").status_code == 404
    assert office.role(Role.TECHNICIAN).post(f"/jobs/{job_id}/stop").status_code == 404


@pytest.mark.slow
def test_a_child_process_does_the_work_and_its_log_is_kept(office: Office, tmp_path: Path) -> None:
    technician = office.role(Role.TECHNICIAN)
    batch = technician.begin()
    technician.send_folder(batch, write_batch(tmp_path / "trip"))
    technician.post(f"/batches/{batch}/check")
    workers = Workers(office.settings, office.server.sessions)
    workers.start()
    until = time.monotonic() + 120
    while time.monotonic() < until:
        with office.server.sessions() as db:
            state = db.get_one(Batch, batch).state
        if state != "checking":
            break
        time.sleep(0.2)
    workers.stop()
    assert state == "checked"
    (log,) = (office.settings.data / "logs").iterdir()
    assert "Looking at pictures" in log.read_text()
