"""Background work, and what it made, as JSON."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any

from fastapi import Query

from passage_cv.files import read_json
from passage_cv.web import jobs, releases
from passage_cv.web import research as rules
from passage_cv.web.ask import Ask, Asking, NotAllowed, NotFound
from passage_cv.web.people import Role
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Job, Made
from passage_cv.web.views.api_records import Id
from passage_cv.web.views.api_work_records import JobState, Log, Thing, WholeThing
from passage_cv.web.views.research import find_job, jobs_seen, read_log

FOR_ENGINEERS = ("cutoffs", "report", "package", "status")
"""Kinds of things that pages show to engineers; all others are for researchers alone."""
KINDS = ("run", "scores", "cutoffs", "report", "package", "comparison", "whatif", "leaks", "status")


def job_list(ask: Asking) -> list[JobState]:
    """Background work, newest first: one's own; for an engineer also that of the gate, for a researcher all of it."""
    return [_job(one) for one in jobs_seen(ask, tuple(jobs.TASKS))]


def job(ask: Asking, job_id: Id) -> JobState:
    """How far background work is."""
    return _job(find_job(ask, job_id))


def log(ask: Asking, job_id: Id) -> Log:
    """The end of what work printed."""
    return Log(log=read_log(ask, find_job(ask, job_id)))


def cancel(ask: Asking, job_id: Id) -> JobState:
    """Stop background work."""
    found = jobs.cancel(ask.db, find_job(ask, job_id).id)
    ask.did("stopped work", f"{found.kind} {found.id}")
    return _job(found)


def things(ask: Asking, kind: Annotated[str, Query(pattern=f"^({'|'.join(KINDS)})$")]) -> list[Thing]:
    """What was made, by kind, newest first; for an engineer what concerns a gate."""
    _require_seen(ask, kind)
    return [Thing(**_values(one)) for one in rules.made_of(ask.db, kind)]


def thing(ask: Asking, made_id: Id) -> WholeThing:
    """One thing with what it holds; the files of a report are at ``/api/reports/<id>/<name>``."""
    made = ask.db.get(Made, made_id)
    if made is None:
        raise NotFound
    _require_seen(ask, made.kind)
    read = _CONTENT.get(made.kind)
    return WholeThing(**_values(made), content=read(ask.server.settings, made) if read else {})


def _require_seen(ask: Ask, kind: str) -> None:
    if Role.RESEARCHER not in ask.roles and kind not in FOR_ENGINEERS:
        raise NotAllowed


def _job(one: Job) -> JobState:
    return JobState(**{name: getattr(one, name) for name in JobState.model_fields})


def _values(one: Made) -> dict[str, Any]:
    return {name: getattr(one, name) for name in Thing.model_fields}


def _run(settings: WebSettings, made: Made) -> dict[str, Any]:
    run_id, page = rules.tracked_at(settings, made)
    return {"mlflow_run": run_id, "mlflow_page": page}


def _cutoffs(settings: WebSettings, made: Made) -> dict[str, Any]:
    found = read_json(rules.made_path(settings, made) / "cutoffs.json")
    return {"cutoffs": found, "limits": releases.limits_in_words(settings, made)}


def _tables(settings: WebSettings, made: Made) -> dict[str, Any]:
    place = rules.made_path(settings, made)
    read = {name: rules.read_table(place / f"{name}.csv") for name in made.facts["tables"]}
    return {name: {"columns": head, "rows": rows} for name, (head, rows) in read.items()}


def _files(settings: WebSettings, made: Made) -> dict[str, Any]:
    place = rules.made_path(settings, made)
    return {"files": sorted(path.relative_to(place).as_posix() for path in place.rglob("*") if path.is_file())}


def _json(name: str) -> Callable[[WebSettings, Made], dict[str, Any]]:
    def read(settings: WebSettings, made: Made) -> dict[str, Any]:
        return {name: read_json(rules.made_path(settings, made) / f"{name}.json")}

    return read


_CONTENT: Mapping[str, Callable[[WebSettings, Made], dict[str, Any]]] = {
    "run": _run,
    "cutoffs": _cutoffs,
    "report": _files,
    "package": _files,
    "whatif": _tables,
    "comparison": _json("comparison"),
    "status": _json("status"),
    "leaks": _json("leaks"),
}
