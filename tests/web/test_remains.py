"""Unfinished fits of a training stay as long as somebody may go on with them, and no longer."""

from __future__ import annotations

from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.web import jobs
from passage_cv.web.jobs import Work
from passage_cv.web.remains import remove_remains
from passage_cv.web.research import new_place
from passage_cv.web.tables import Job
from passage_cv.web.tasks import training
from passage_cv.web.worker import Workers
from tests.web.conftest import Office
from tests.web.test_jobs import LONG_AGO, add, claim, read, work


def leave_unfinished(given: Work) -> Path:
    """What a fine-tuning keeps beside the run folder to be, as ``recognition.tuned`` names it."""
    out = new_place(given.settings, "run", given.job_id)
    folder = out.with_name(f".{out.name}-{'0' * 16}.unfinished")
    folder.mkdir(exist_ok=True)
    (folder / "fold-0.safetensors").write_bytes(b"network")
    return folder


def lose(office: Office, job_id: str) -> None:
    """As if the server had been killed and the lease had run out."""
    with office.server.sessions.begin() as db:
        db.get_one(Job, job_id).lease_until = LONG_AGO


def begun(office: Office) -> tuple[str, Path]:
    """A training that has begun, and its unfinished folder."""
    job_id = add(office, "train")
    assert claim(office, "long") == job_id
    return job_id, leave_unfinished(work(office, job_id))


def test_of_a_training_that_was_stopped_nothing_stays(office: Office) -> None:
    job_id, folder = begun(office)
    with office.server.sessions.begin() as db:
        jobs.cancel(db, job_id)
    Workers(office.settings, office.server.sessions)._close(job_id, -15)
    assert read(office, job_id).state == "cancelled"
    assert list(folder.parent.iterdir()) == []


def test_of_a_training_that_stops_or_refuses_by_itself_nothing_stays(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    def leave_and_refuse(given: Work) -> dict[str, object]:
        leave_unfinished(given)
        raise InputError("Too few fish", do="Image more.")

    def leave_and_stop(given: Work) -> dict[str, object]:
        leave_unfinished(given)
        raise jobs.Cancelled

    for task, state in ((leave_and_refuse, "failed"), (leave_and_stop, "cancelled")):
        monkeypatch.setattr(training, "train", task)
        job_id = add(office, "train")
        office.work()
        assert read(office, job_id).state == state
        assert list((office.settings.data / "made" / "run").iterdir()) == []


def test_a_lost_training_is_gone_on_with_from_what_it_left(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    job_id, folder = begun(office)
    remove_remains(office.settings, office.server.sessions)
    lose(office, job_id)
    remove_remains(office.settings, office.server.sessions)
    seen: list[bytes] = []

    def go_on(given: Work) -> dict[str, object]:
        new_place(given.settings, "run", given.job_id)
        seen.append((folder / "fold-0.safetensors").read_bytes())
        return {}

    monkeypatch.setattr(training, "train", go_on)
    office.work()
    assert seen == [b"network"]
    assert read(office, job_id).state == "done"
    assert not folder.exists()


@pytest.mark.parametrize("stopped", [False, True], ids=["lost too often", "stopped while it was lost"])
def test_of_a_lost_training_that_is_given_up_nothing_stays(office: Office, stopped: bool) -> None:
    job_id, folder = begun(office)
    with office.server.sessions.begin() as db:
        db.get_one(Job, job_id).starts = jobs.MOST_STARTS
        if stopped:
            jobs.cancel(db, job_id)
    lose(office, job_id)
    assert office.work() == 0
    assert read(office, job_id).state == ("cancelled" if stopped else "failed")
    assert not folder.exists()


def test_what_other_work_left_stays(office: Office) -> None:
    _, folder = begun(office)
    ended = add(office, "train")
    jobs.end(office.server.sessions, ended, "failed")
    strange = folder.with_name(".of-nobody.unfinished")
    strange.mkdir()
    remove_remains(office.settings, office.server.sessions)
    assert folder.is_dir()
    assert strange.is_dir()
