"""The same functions as JSON under ``/api`` for scripts with a token; OpenAPI at ``/api/openapi.json``."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import Path, Query
from pydantic import Field
from sqlalchemy import select

from passage_cv.config import Settings
from passage_cv.dataset.ledger import uses_of
from passage_cv.dataset.versions import open_version
from passage_cv.web import batches as batch_rules
from passage_cv.web import decisions, jobs, releases, remembered
from passage_cv.web import research as rules
from passage_cv.web.ask import Asking, NotFound
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch, Found, Job, Made, Release
from passage_cv.web.uploads import count_files
from passage_cv.web.views.batches import find_batch
from passage_cv.web.views.research import find, find_job

Id = Annotated[str, Path(pattern="^[0-9a-f]{12}$")]
Line = Annotated[str, Field(max_length=500, pattern=r"^[^\x00-\x1f]*$")]


class Me(Settings):
    """Who the token belongs to."""

    name: str
    roles: list[str]


class NewBatch(Settings):
    """A batch to begin: a name (the trip by default) and the facts common to it."""

    name: Line = ""
    facts: dict[str, Line] = Field(default_factory=dict)


class BatchState(Settings):
    """A batch on its way."""

    id: str
    name: str
    state: str
    created_at: str
    facts: dict[str, Any]
    summary: dict[str, Any]
    receipt: dict[str, Any]
    files: int


class NewDecision(Settings):
    """``exclude`` a picture, ``correct`` a cell, let a kind of finding ``stand`` (its ``column``), or ``note``."""

    kind: Line
    image: Line = ""
    row: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    column: Line = ""
    value: Line = ""
    why: Line = ""


class Reason(Settings):
    """Why."""

    reason: Line = ""


class Answer(Settings):
    """An engineer's answer to a proposal."""

    accept: bool
    text: Line = ""


class Started(Settings):
    """Background work that was asked for; ask for it at ``/api/jobs/<id>``."""

    job: str


class JobState(Settings):
    """How far background work is."""

    id: str
    kind: str
    subject: str
    state: str
    label: str
    done: int
    total: int
    refusal: dict[str, Any]
    result: dict[str, Any]


class Training(Settings):
    """A training to start."""

    config: Line
    policy: Line
    version: Line = "latest"


class Calibration(Settings):
    """A calibration to start."""

    scores: Line
    policy: Line


class Thing(Settings):
    """A run, scores, cutoffs, a report or a package."""

    id: str
    kind: str
    title: str
    who: str
    at: str
    sources: dict[str, Any]
    facts: dict[str, Any]


class ReleaseState(Settings):
    """A proposal and what became of it."""

    id: str
    cutoffs: str
    package: str
    state: str
    proposed_by: str
    decided_by: str
    reason: str
    answer: str
    limits: list[str]


def me(ask: Asking) -> Me:
    """Who asks."""
    return Me(name=ask.person.name, roles=sorted(ask.roles))


def batch_list(ask: Asking) -> list[BatchState]:
    """Your batches, newest first; a researcher gets everybody's."""
    found = select(Batch).order_by(Batch.created_at.desc()).limit(500)
    if Role.RESEARCHER not in ask.roles:
        found = found.where(Batch.owner_id == ask.person.id)
    shown = ask.db.scalars(found).all()
    counts = count_files(ask.db, shown)
    return [_batch(one, counts) for one in shown]


def start_batch(ask: Asking, new: NewBatch) -> BatchState:
    """Begin a batch; its files go to ``/uploads`` (tus 1.0.0) with metadata ``batch``, ``filename``, ``sha256``."""
    batch = batch_rules.start_batch(ask.db, ask.person, new.name, new.facts)
    ask.did("began batch", f"{batch.name} ({batch.id})")
    return _batch(batch, count_files(ask.db, [batch]))


def batch(ask: Asking, batch_id: Id) -> BatchState:
    """One batch."""
    batch = find_batch(ask, batch_id)
    return _batch(batch, count_files(ask.db, [batch]))


def findings(ask: Asking, batch_id: Id) -> dict[str, Any]:
    """What the last check found: counts, how the sheet was read, and every finding."""
    batch = find_batch(ask, batch_id)
    found = ask.db.scalars(select(Found).where(Found.batch_id == batch.id).order_by(Found.number))
    return {"counts": batch.summary, "sheet": batch.sheet, "findings": [one.values for one in found]}


def decide(ask: Asking, batch_id: Id, new: NewDecision) -> dict[str, int]:
    """Write down a decision about a batch."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.decide(ask.db, batch, ask.person.name, **new.model_dump())
    ask.did(f"decided: {made.kind}", batch.name)
    return {"decision": made.id}


def check(ask: Asking, batch_id: Id) -> Started:
    """Check a batch."""
    job = batch_rules.start_check(ask.db, find_batch(ask, batch_id, own=True), ask.person.name)
    ask.did("asked for check", batch_id)
    return Started(job=job.id)


def accept(ask: Asking, batch_id: Id, why: Reason) -> Started:
    """Accept a batch, all of it or none."""
    job = batch_rules.start_accept(ask.db, find_batch(ask, batch_id, own=True), ask.person.name, why.reason)
    ask.did("accepted batch", batch_id)
    return Started(job=job.id)


def job(ask: Asking, job_id: Id) -> JobState:
    """How far background work is."""
    return _job(find_job(ask, job_id))


def cancel(ask: Asking, job_id: Id) -> JobState:
    """Stop background work."""
    found = jobs.cancel(ask.db, find_job(ask, job_id).id)
    ask.did("stopped work", job_id)
    return _job(found)


def versions(ask: Asking) -> list[dict[str, Any]]:
    """The history of the data set, oldest first."""
    store = rules.open_store(ask.server.settings)
    return [asdict(info) for info in remembered.versions(ask.server.settings, store)] if store else []


def version(ask: Asking, name: Annotated[str, Path(max_length=40)]) -> dict[str, Any]:
    """One version: its record, and fish per class and role."""
    store = rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    opened = open_version(store, name)
    return {
        "version": opened.name,
        **opened.record.model_dump(mode="json"),
        "classes": remembered.held(ask.server.settings, opened).counts,
    }


def ledger(ask: Asking) -> list[dict[str, Any]]:
    """Every look at ``cut`` and ``test``."""
    store = rules.open_store(ask.server.settings)
    if store is None:
        return []
    return [use.model_dump(mode="json") for use in (*uses_of(store, "cut"), *uses_of(store, "test"))]


def things(ask: Asking, kind: Annotated[str, Query(pattern="^(run|scores|cutoffs|report|package)$")]) -> list[Thing]:
    """What was made, by kind, newest first."""
    return [_thing(one) for one in rules.made_of(ask.db, kind)]


def train(ask: Asking, new: Training) -> Started:
    """Start a training."""
    job = rules.start_training(ask.db, ask.server.settings, ask.person.name, **new.model_dump())
    ask.did("asked for training", f"{new.config} on {new.version}")
    return Started(job=job.id)


def score(ask: Asking, made_id: Id) -> Started:
    """Score a run."""
    job = rules.start_scoring(ask.db, find(ask, "run", made_id), ask.person.name)
    ask.did("asked for scores", made_id)
    return Started(job=job.id)


def calibrate(ask: Asking, new: Calibration) -> Started:
    """Set cutoffs."""
    made = find(ask, "scores", new.scores)
    job = rules.start_calibration(ask.db, ask.server.settings, made, new.policy, ask.person.name)
    ask.did("asked for cutoffs", f"{made.title} under {new.policy}")
    return Started(job=job.id)


def evaluate(ask: Asking, made_id: Id) -> Started:
    """Write the report of cutoffs."""
    job = rules.start_evaluation(ask.db, find(ask, "cutoffs", made_id), ask.person.name)
    ask.did("asked for report", made_id)
    return Started(job=job.id)


def release_list(ask: Asking) -> list[ReleaseState]:
    """Proposals with their limits in words."""
    return [_release(ask, one) for one in releases.releases(ask.db)]


def propose(ask: Asking, made_id: Id, why: Reason) -> ReleaseState:
    """Propose cutoffs for release."""
    made = releases.propose(ask.db, find(ask, "cutoffs", made_id), ask.person, why.reason)
    ask.did("proposed release", made.id)
    return _release(ask, made)


def answer(ask: Asking, release_id: Id, given: Answer) -> ReleaseState:
    """Accept or return a proposal; never by the person who made it."""
    release = ask.db.get(Release, release_id)
    if release is None:
        raise NotFound
    releases.answer(ask.db, release, ask.person, accept=given.accept, text=given.text)
    ask.did("accepted release" if given.accept else "returned release", release.id)
    return _release(ask, release)


def service(ask: Asking) -> dict[str, dict[str, str]]:
    """What each site runs now."""
    return {
        site: {"release": line.release_id, "since": line.at, "who": line.who, "reason": line.reason}
        for site, line in releases.in_service(ask.db).items()
    }


def _batch(one: Batch, counts: dict[str, tuple[int, int]]) -> BatchState:
    return BatchState(
        id=one.id,
        name=one.name,
        state=one.state,
        created_at=one.created_at,
        facts=one.facts,
        summary=one.summary,
        receipt=one.receipt,
        files=counts.get(one.id, (0, 0))[0],
    )


def _job(one: Job) -> JobState:
    return JobState(**{name: getattr(one, name) for name in JobState.model_fields})


def _thing(one: Made) -> Thing:
    return Thing(**{name: getattr(one, name) for name in Thing.model_fields})


def _release(ask: Asking, one: Release) -> ReleaseState:
    return ReleaseState(
        id=one.id,
        cutoffs=one.cutoffs_id,
        package=one.package_id,
        state=one.state,
        proposed_by=one.proposed_by.name,
        decided_by=one.decided_by.name if one.decided_by else "",
        reason=one.reason,
        answer=one.answer,
        limits=releases.limits_in_words(ask.server.settings, one.cutoffs),
    )
