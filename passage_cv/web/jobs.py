"""The queue of background work: kept in the database, so that it survives a restart.

A worker claims the oldest waiting job of its lane and renews a lease while it works. Where the lease ran out (the
server stopped), the job starts again; the stages themselves keep nothing half done.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

from sqlalchemy import or_, select, update
from sqlalchemy.orm import Session

from passage_cv.errors import InputError, PassageError
from passage_cv.web.database import Sessions
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Job, utc

TASKS = {
    "check": "passage_cv.web.tasks.intake:check",
    "accept": "passage_cv.web.tasks.intake:accept",
    "train": "passage_cv.web.tasks.training:train",
    "score": "passage_cv.web.tasks.training:score",
    "calibrate": "passage_cv.web.tasks.deciding:calibrate",
    "evaluate": "passage_cv.web.tasks.deciding:evaluate",
    "export": "passage_cv.web.tasks.gate:export",
    "verify": "passage_cv.web.tasks.gate:verify",
    "compare": "passage_cv.web.tasks.looking:compare",
    "try": "passage_cv.web.tasks.looking:try_out",
    "leaks": "passage_cv.web.tasks.looking:leaks",
    "status": "passage_cv.web.tasks.looking:status",
}
"""Kind of work to its function, which is loaded only in the process that runs it: training needs torch."""
QUIET = "quiet"
"""The lane of work that nobody waits for: it takes the processor only as far as others leave it."""
LANES = dict.fromkeys(TASKS, "short") | {"train": "long", "score": "long", "leaks": QUIET}
"""Work of one lane goes one after the other, lanes do not wait for each other."""
MOST_STARTS = 3
ACTIVE = ("waiting", "running")

Task = Callable[["Work"], dict[str, Any]]


class Cancelled(Exception):
    """Somebody asked for the job to stop."""


class Work:
    """What a task gets: its job's values, the settings, the database, and how to say how far it is.

    ``say`` takes a line for the log at each new step.
    """

    def __init__(
        self, job: Job, settings: WebSettings, sessions: Sessions, say: Callable[[str], object] | None = None
    ) -> None:
        self.job_id, self.subject, self.given, self.who = job.id, job.subject, dict(job.given), job.who
        self.settings, self.sessions = settings, sessions
        self._told, self._step, self._say = "", "", say

    def progress(self, label: str, done: int, total: int) -> None:
        """Tell how far it is, at most about four times a second, and stop where a person asked for it."""
        now = utc()[:21]
        if self._say and label != self._step:
            self._say(f"{now[11:19]} {label}: {total}\n")
        self._step = label
        if now == self._told and done < total:
            return
        self._told = now
        with self.sessions.begin() as db:
            job = db.get(Job, self.job_id)
            if job is None or job.state == "cancelling":
                raise Cancelled
            job.label, job.done, job.total = label, done, total
            job.lease_until = utc(timedelta(seconds=self.settings.lease_s))


def add_job(db: Session, kind: str, subject: str, given: dict[str, Any], who: str) -> Job:
    """Put work into the queue."""
    job = Job(kind=kind, lane=LANES[kind], subject=subject, given=given, who=who)
    db.add(job)
    db.flush()
    return job


def is_busy(db: Session, subject: str) -> bool:
    """Whether work on a subject waits or runs."""
    states = (*ACTIVE, "cancelling")
    return db.scalar(select(Job.id).where(Job.subject == subject, Job.state.in_(states)).limit(1)) is not None


def cancel(db: Session, job_id: str) -> Job:
    """Ask a job to stop; one that has not started stops at once.

    Raises
    ------
    InputError
        If it has ended, or is keeping a batch, which is all or nothing.
    """
    job = db.get(Job, job_id)
    if job is None or job.state not in ACTIVE or job.kind == "accept":
        raise InputError("This work cannot be stopped", where=job_id, do="It has ended or must run to its end.")
    job.state = "cancelling" if job.state == "running" else "cancelled"
    if job.state == "cancelled":
        job.ended_at = utc()
    return job


def claim(sessions: Sessions, lane: str, *, lease_s: float) -> str:
    """Take the oldest job of a lane that waits, or whose worker was lost; empty where there is none."""
    with sessions.begin() as db:
        lost = (Job.state.in_(("running", "cancelling"))) & (Job.lease_until < utc())
        job = db.scalar(
            select(Job).where(Job.lane == lane, or_(Job.state == "waiting", lost)).order_by(Job.created_at).limit(1)
        )
        if job is None:
            return ""
        values = {"state": "running", "lease_until": utc(timedelta(seconds=lease_s)), "starts": Job.starts + 1}
        if job.state == "cancelling" or job.starts >= MOST_STARTS:
            values |= {"state": "cancelled" if job.state == "cancelling" else "failed", "ended_at": utc()}
            values["refusal"] = {"what": f"Stopped {job.starts} times", "where": "", "do": "Start it again."}
        taken = db.execute(
            update(Job)
            .where(Job.id == job.id, Job.state == job.state, Job.lease_until == job.lease_until)
            .values(started_at=job.started_at or utc(), **values)
        )
        return job.id if taken.rowcount and values["state"] == "running" else ""  # type: ignore[attr-defined]


def renew(sessions: Sessions, job_id: str, *, lease_s: float) -> str:
    """Hold a job a little longer; returns its state."""
    with sessions.begin() as db:
        job = db.get(Job, job_id)
        if job is None:
            return "cancelled"
        if job.state in {"running", "cancelling"}:
            job.lease_until = utc(timedelta(seconds=lease_s))
        return job.state


def run(work: Work, task: Task) -> None:
    """Do one claimed job and write down how it ended; never raises for a refusal."""
    try:
        result = task(work)
    except Cancelled:
        end(work.sessions, work.job_id, "cancelled")
    except PassageError as error:
        refusal = {"what": error.what, "where": error.where, "do": error.do}
        end(work.sessions, work.job_id, "failed", refusal=refusal)
    except Exception as error:
        refusal = {"what": f"{type(error).__name__}: {error}", "where": "", "do": "Tell whoever runs this server."}
        end(work.sessions, work.job_id, "failed", refusal=refusal)
        raise
    else:
        end(work.sessions, work.job_id, "done", result=result)


def end(
    sessions: Sessions,
    job_id: str,
    state: str,
    *,
    refusal: dict[str, Any] | None = None,
    result: dict[str, Any] | None = None,
) -> None:
    """Close a job once."""
    with sessions.begin() as db:
        job = db.get(Job, job_id)
        if job is None or job.ended_at:
            return
        job.state, job.ended_at, job.refusal, job.result = state, utc(), refusal or {}, result or {}
        job.lease_until = ""
