"""The researcher's pages: data set, policies, models, cutoffs, reports, ledger; and background work."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Annotated

from fastapi import Form
from fastapi.responses import FileResponse, Response
from sqlalchemy import or_, select, tuple_

from passage_cv.dataset.coverage import Cell, thin_cells
from passage_cv.dataset.ledger import attempts_of, uses_of
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.records import ROLES
from passage_cv.web import jobs, releases, remembered
from passage_cv.web import research as rules
from passage_cv.web.about import about_jobs
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.headers import REPORT_POLICY
from passage_cv.web.paths import below
from passage_cv.web.people import Role
from passage_cv.web.set_ups import shipped, training_set_ups
from passage_cv.web.tables import Batch, Job, Made
from passage_cv.web.worker import log_path

Text = Annotated[str, Form()]
JOBS_SHOWN = 100
LOG_TAIL = 20_000
_STEP = re.compile(r"^([\d:]{8} |)(.*)$")
"""A line of a log: the time of a step, and what was said."""
GATE_KINDS = ("export", "verify", "status")
"""Work that every engineer sees."""
FEW = 5
"""Fish of a class at one level below which the page calls it thin [ours]."""
THIN_SHOWN = 60


def data(ask: Asking) -> Response:
    """The history of the data set, or how to begin it."""
    store = rules.open_store(ask.server.settings)
    if store is None:
        policies = rules.list_policies(ask.server.settings)
        return ask.page("data_begin", shares=rules.usual_shares(), policies=policies)
    return ask.page("data", store=store, versions=remembered.versions(ask.server.settings, store)[::-1])


def begin_data(
    ask: Asking,
    unit: Text = "trip",
    train: Annotated[float, Form()] = 0.4,
    cut: Annotated[float, Form()] = 0.4,
    test: Annotated[float, Form()] = 0.2,
    policy: Text = "",
) -> Response:
    """Fix for good how roles are drawn."""
    shares = {"train": train, "cut": cut, "test": test}
    store = rules.begin_store(ask.server.settings, unit=unit, shares=shares, policy=policy)
    ask.did("began data set", f"unit {store.settings.unit}, seed {store.settings.seed}")
    return ask.go("/data")


def version(ask: Asking, name: str) -> Response:
    """What one version holds: fish per class and role, and how each unit got its role."""
    store = _store(ask)
    opened = open_version(store, name)
    older = [
        info.name for info in remembered.versions(ask.server.settings, store) if info.number < opened.record.number
    ]
    held = remembered.held(ask.server.settings, opened)
    return ask.page("version", version=opened, held=held, role_names=ROLES, older=older[::-1])


def cover(ask: Asking, name: str) -> Response:
    """Where a version is thin, and whether anything stands on both sides of its roles."""
    opened = open_version(_store(ask), name)
    cells = remembered.cells(ask.server.settings, opened)
    tables = {
        dimension: _cross(one for one in cells if one.dimension == dimension)
        for dimension in dict.fromkeys(one.dimension for one in cells)
        if dimension != "role"
    }
    thin = thin_cells(cells, FEW)
    return ask.page(
        "cover", version=opened, tables=tables, thin=thin[:THIN_SHOWN], n_thin=len(thin), most=THIN_SHOWN, few=FEW
    )


def _cross(cells: Iterable[Cell]) -> tuple[list[str], dict[str, dict[str, int]]]:
    """Levels, and the individuals of each class at each of them."""
    found: dict[str, dict[str, int]] = {}
    for one in cells:
        found.setdefault(one.name, {})[one.level] = one.n_individuals
    return sorted({level for row in found.values() for level in row}), found


def version_diff(ask: Asking, name: str, older: str) -> Response:
    """What came and what changed between two versions."""
    store = _store(ask)
    found = remembered.since(ask.server.settings, open_version(store, name), open_version(store, older))
    return ask.page("version_diff", diff=found)


def ledger(ask: Asking) -> Response:
    """Every look at ``cut`` and ``test``."""
    store = rules.open_store(ask.server.settings)
    uses = [use for role in ("cut", "test") for use in uses_of(store, role)] if store else []
    uses.sort(key=lambda use: use.at, reverse=True)
    return ask.page("ledger", uses=uses, attempts=attempts_of(store) if store else [])


def policies(ask: Asking) -> Response:
    """The site policies that were handed in."""
    return ask.page("policies", policies=rules.list_policies(ask.server.settings))


def keep_policy(ask: Asking, name: Text = "", text: Text = "") -> Response:
    """Keep a policy under a new name."""
    policy = rules.keep_policy(ask.server.settings, name.strip(), text)
    ask.did("handed in policy", f"{name.strip()} ({policy.sha256[:12]})")
    return ask.go("/policies")


def models(ask: Asking) -> Response:
    """Runs, their scores, and a form for the next training."""
    store = rules.open_store(ask.server.settings)
    recent = jobs_seen(ask, ("train", "score"))
    return ask.page(
        "models",
        runs=rules.made_of(ask.db, "run"),
        scores=rules.made_of(ask.db, "scores"),
        configs=list(training_set_ups(ask.server.settings)),
        shipped=list(shipped()),
        policies=list(rules.list_policies(ask.server.settings)),
        versions=[info.name for info in remembered.versions(ask.server.settings, store)][::-1] if store else [],
        jobs=recent,
        about=about_jobs(ask.db, recent),
    )


def train(ask: Asking, config: Text = "", policy: Text = "", version: Text = "latest") -> Response:
    """Put a training into the queue."""
    job = rules.start_training(
        ask.db, ask.server.settings, ask.person.name, config=config, policy=policy, version=version
    )
    ask.did("asked for training", f"{config} on {version}")
    return ask.go(f"/jobs/{job.id}")


def score(ask: Asking, made_id: str) -> Response:
    """Put the scoring of a run into the queue."""
    run = find(ask, "run", made_id)
    job = rules.start_scoring(ask.db, run, ask.person.name)
    ask.did("asked for scores", run.title)
    return ask.go(f"/jobs/{job.id}")


def cutoffs(ask: Asking) -> Response:
    """Cutoffs that were set, and a form for the next."""
    recent = jobs_seen(ask, ("calibrate", "evaluate"))
    return ask.page(
        "cutoffs",
        cutoffs=rules.made_of(ask.db, "cutoffs"),
        scores=rules.made_of(ask.db, "scores"),
        policies=list(rules.list_policies(ask.server.settings)),
        jobs=recent,
        about=about_jobs(ask.db, recent),
    )


def calibrate(ask: Asking, scores: Text = "", policy: Text = "") -> Response:
    """Put a calibration into the queue."""
    made = find(ask, "scores", scores)
    job = rules.start_calibration(ask.db, ask.server.settings, made, policy, ask.person.name)
    ask.did("asked for cutoffs", f"{made.title} under {policy}")
    return ask.go(f"/jobs/{job.id}")


def cutoffs_page(ask: Asking, made_id: str) -> Response:
    """One set of cutoffs: its limits in words, its reports, and its way to a gate."""
    made = find(ask, "cutoffs", made_id)
    reports = [one for one in rules.made_of(ask.db, "report") if one.sources["cutoffs"] == made.id]
    return ask.page(
        "cutoffs_one",
        made=made,
        cutoffs=releases.cutoffs_of(ask.server.settings, made),
        limits=releases.limits_in_words(ask.server.settings, made),
        reports=reports,
        releases=[one for one in releases.releases(ask.db) if one.cutoffs_id == made.id],
        is_researcher=Role.RESEARCHER in ask.roles,
    )


def evaluate(ask: Asking, made_id: str) -> Response:
    """Put the report of some cutoffs into the queue."""
    made = find(ask, "cutoffs", made_id)
    job = rules.start_evaluation(ask.db, made, ask.person.name)
    ask.did("asked for report", made.title)
    return ask.go(f"/jobs/{job.id}")


def report(ask: Asking, made_id: str, name: str) -> Response:
    """A file of a report; its page is shown in a sandbox where only its own script runs."""
    made = find(ask, "report", made_id)
    path = below(rules.made_path(ask.server.settings, made), name)
    if not path.is_file():
        raise NotFound
    return FileResponse(path, headers={"content-security-policy": REPORT_POLICY})


def job_list(ask: Asking, before: str = "") -> Response:
    """Background work: one's own; for a researcher all of it; older work page by page."""
    found = jobs_seen(ask, tuple(jobs.TASKS), before)
    older = found[-1].id if len(found) == JOBS_SHOWN else ""
    return ask.page("jobs", jobs=found, about=about_jobs(ask.db, found), before=before, older=older)


def job(ask: Asking, job_id: str) -> Response:
    """One piece of background work with its log."""
    found = find_job(ask, job_id)
    about = about_jobs(ask.db, [found])[found.id]
    return ask.page("job", job=found, about=about, log=read_log(ask, found), made=_made(ask, found))


def job_state(ask: Asking, job_id: str) -> Response:
    """The part of a page that says how far the work is; asked for again and again until it has ended."""
    found = find_job(ask, job_id)
    answer = ask.page("job_state", job=found)
    if found.ended_at:
        answer.headers["hx-refresh"] = "true"
    return answer


def job_log(ask: Asking, job_id: str) -> Response:
    """The end of the log of work that goes on; asked for again and again until it has ended."""
    found = find_job(ask, job_id)
    return ask.page("job_log", job=found, log=read_log(ask, found))


def cancel(ask: Asking, job_id: str) -> Response:
    """Ask for work to stop."""
    found = jobs.cancel(ask.db, find_job(ask, job_id).id)
    ask.did("stopped work", f"{found.kind} {found.id}")
    return ask.go(f"/jobs/{found.id}")


def find_job(ask: Ask, job_id: str) -> Job:
    """Work that this person asked for, or any for a researcher; an engineer sees that of the gate."""
    found = ask.db.get(Job, job_id)
    if found is None or not _may_see(ask, found):
        raise NotFound
    return found


def find(ask: Ask, kind: str, made_id: str) -> Made:
    """Something made, by kind and id."""
    found = rules.find_made(ask.db, kind, made_id)
    if found is None:
        raise NotFound
    return found


def _may_see(ask: Ask, found: Job) -> bool:
    gate = found.kind in GATE_KINDS and Role.ENGINEER in ask.roles
    batch = ask.db.get(Batch, found.subject)
    own = batch.owner_id == ask.person.id if batch else found.who == ask.person.name
    return own or gate or Role.RESEARCHER in ask.roles


def jobs_seen(ask: Ask, kinds: tuple[str, ...], before: str = "") -> list[Job]:
    """Work of some kinds that this person may see, newest first; ``before`` is the last one of the page before."""
    found = select(Job).where(Job.kind.in_(kinds)).order_by(Job.created_at.desc(), Job.id.desc())
    if before:
        last = find_job(ask, before)
        found = found.where(tuple_(Job.created_at, Job.id) < (last.created_at, last.id))
    if Role.RESEARCHER in ask.roles:
        return list(ask.db.scalars(found.limit(JOBS_SHOWN)))
    own = select(Batch.id).where(Batch.owner_id == ask.person.id)
    others = select(Batch.id).where(Batch.id == Job.subject).exists()
    seen = [Job.subject.in_(own), (Job.who == ask.person.name) & ~others]
    seen += [Job.kind.in_(GATE_KINDS)] if Role.ENGINEER in ask.roles else []
    return list(ask.db.scalars(found.where(or_(*seen)).limit(JOBS_SHOWN)))


def read_log(ask: Ask, found: Job) -> str:
    """The end of what work printed."""
    path = log_path(ask.server.settings, found.id)
    if not path.is_file():
        return ""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - LOG_TAIL))
        lines = stream.read().decode("utf-8", errors="replace").split("\n")
    return "\n".join(_STEP.sub(lambda at: at[1] + ask.texts.said(at[2]), line) for line in lines)


def _made(ask: Ask, found: Job) -> Made | None:
    return ask.db.get(Made, str(found.result.get("made", "")))


def _store(ask: Ask) -> Store:
    store = rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    return store
