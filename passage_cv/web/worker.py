"""Who does the work: a thread per lane that starts one child process per job, so that pages stay quick.

``python -m passage_cv.web.worker JOB`` is that child. What it prints goes into the job's log.
"""

from __future__ import annotations

import importlib
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError

from passage_cv.web.database import Sessions, open_database
from passage_cv.web.jobs import LANES, QUIET, TASKS, Task, Work, claim, end, renew, run
from passage_cv.web.remains import remove_remains
from passage_cv.web.settings import WebSettings, inherited_environment, read_environment
from passage_cv.web.tables import Batch, Job

_IDLE_S = 0.5
_PATIENCE_S = 10
_LOG = logging.getLogger(__name__)
_LAST = 19
"""The lowest priority that a process can give itself (nice)."""


class Workers:
    """Threads that watch the queue; start them with the server and stop them with it."""

    def __init__(self, settings: WebSettings, sessions: Sessions) -> None:
        self._settings, self._sessions = settings, sessions
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._watch, args=(lane,), daemon=True) for lane in set(LANES.values())
        ]

    def start(self) -> None:
        """Begin to watch."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Stop watching; running children are ended, and their jobs start again with the next server."""
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout=10)

    def _watch(self, lane: str) -> None:
        """Do what waits in a lane, for ever: a database that is away for a while must not end the queue."""
        while not self._stop.is_set():
            try:
                if job_id := claim(self._sessions, lane, lease_s=self._settings.lease_s):
                    self._attend(job_id)
                    continue
                self._tidy()
            except Exception:  # whatever it was, the next job is no part of it
                _LOG.exception("The queue goes on after an error in lane %s", lane)
            self._stop.wait(_IDLE_S)

    def _attend(self, job_id: str) -> None:
        """Run one job in a child, keep its lease, end it where a person or the server's end asks for it."""
        with log_path(self._settings, job_id).open("ab") as log:
            child = subprocess.Popen(  # noqa: S603 - our own module
                [sys.executable, "-m", "passage_cv.web.worker", job_id],
                env=inherited_environment() | self._settings.as_environment(),
                stdout=log,
                stderr=log,
            )
            try:
                is_held = self._hold(job_id, child)
            finally:
                end_child(child)
        if is_held:
            self._close(job_id, child.returncode)

    def _hold(self, job_id: str, child: subprocess.Popen[bytes]) -> bool:
        """Keep the lease until the child has ended or must end; False where it was lost, and the job starts again.

        A database that does not answer is no reason to end hours of work before the lease has run out.
        """
        held_at = time.monotonic()
        while child.poll() is None and not self._stop.is_set():
            try:
                state = renew(self._sessions, job_id, lease_s=self._settings.lease_s)
                held_at = time.monotonic()
            except SQLAlchemyError:
                state = ""
            if state == "cancelling":
                break
            if time.monotonic() - held_at > self._settings.lease_s:
                return False
            self._stop.wait(_IDLE_S)
        return True

    def _close(self, job_id: str, code: int | None) -> None:
        """What the child could not write down itself."""
        with self._sessions() as db:
            job = db.get(Job, job_id)
            state = job.state if job else ""
        if state == "cancelling":
            end(self._sessions, job_id, "cancelled")
        elif state == "running" and not self._stop.is_set():
            refusal = {"what": f"The work ended with code {code}", "where": "its log", "do": "Start it again."}
            end(self._sessions, job_id, "failed", refusal=refusal)
        self._tidy()

    def _tidy(self) -> None:
        """What work that has ended leaves to others: batches that it held, folders that it did not finish."""
        release_batches(self._sessions)
        remove_remains(self._settings, self._sessions)


def end_child(child: subprocess.Popen[bytes], *, patience_s: float = _PATIENCE_S) -> None:
    """Ask a process to end, and end it where it does not; one that has ended stays as it is."""
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(timeout=patience_s)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def release_batches(sessions: Sessions) -> None:
    """A batch whose work ended without an outcome can be worked on again."""
    with sessions.begin() as db:
        for batch in db.query(Batch).filter(Batch.state.in_(("checking", "accepting"))):
            active = ("waiting", "running", "cancelling")
            if not db.query(Job).filter(Job.subject == batch.id, Job.state.in_(active)).count():
                batch.state = "open" if batch.state == "checking" else "checked"


def log_path(settings: WebSettings, job_id: str) -> Path:
    """What a job printed."""
    folder = settings.data / "logs"
    folder.mkdir(parents=True, exist_ok=True)
    return folder / f"{job_id}.txt"


def find_task(kind: str) -> Task:
    """Load the function that does a kind of work."""
    module, _, name = TASKS[kind].partition(":")
    found: Task = getattr(importlib.import_module(module), name)
    return found


def run_claimed(
    job_id: str, settings: WebSettings, sessions: Sessions, say: Callable[[str], object] | None = None
) -> None:
    """Do one claimed job in this process."""
    with sessions() as db:
        job = db.get_one(Job, job_id)
    run(Work(job, settings, sessions, say), find_task(job.kind))


def run_all(settings: WebSettings, sessions: Sessions) -> int:
    """Do everything that waits, in this process, and return how much that was."""
    done = 0
    for lane in sorted(set(LANES.values())):
        while job_id := claim(sessions, lane, lease_s=settings.lease_s):
            run_claimed(job_id, settings, sessions)
            done += 1
    release_batches(sessions)
    remove_remains(settings, sessions)
    return done


def main() -> None:
    """Run the job named on the command line; settings come from the environment."""
    settings = read_environment()
    sessions = open_database(settings)
    with sessions() as db:
        if db.get_one(Job, sys.argv[1]).lane == QUIET:
            os.nice(_LAST)
    run_claimed(sys.argv[1], settings, sessions, _print_at_once)


def _print_at_once(line: str) -> None:
    """A line for the log that people read while the work goes on."""
    sys.stdout.write(line)
    sys.stdout.flush()


if __name__ == "__main__":
    main()
