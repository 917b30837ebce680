"""What background work is about, in names that people know: batches, training set-ups, models, cutoffs, versions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from passage_cv.web.tables import Batch, Job, Made, Release

_NAMED = ("config", "policy", "version")
"""What a job is given by its name; everything else is given by its id."""
_NEWEST = "latest"


def about_jobs(db: Session, jobs: Iterable[Job]) -> dict[str, str]:
    """For the id of each job what it works on; no words where that is gone."""
    known = list(jobs)
    names = _names(db, {name for job in known for name in _ids_of(job)})
    return {job.id: ", ".join(_words(job, names)) for job in known}


def _ids_of(job: Job) -> list[str]:
    return [job.subject, *(str(value) for key, value in job.given.items() if key not in _NAMED)]


def _words(job: Job, names: Mapping[str, str]) -> list[str]:
    """The things by their titles, then what was given by name; each once."""
    things = [names[one] for one in _ids_of(job) if one in names]
    given = [str(job.given[key]) for key in _NAMED if job.given.get(key, _NEWEST) != _NEWEST]
    return list(dict.fromkeys([*things, *given]))


def _names(db: Session, ids: set[str]) -> dict[str, str]:
    """The names of those that are ids of batches, of things made or of releases."""
    released = select(Release.id, Made.title).join(Made, Made.id == Release.cutoffs_id).where(Release.id.in_(ids))
    batches, made = select(Batch.id, Batch.name), select(Made.id, Made.title)
    asked = (batches.where(Batch.id.in_(ids)), made.where(Made.id.in_(ids)), released)
    return {key: name for one in asked for key, name in db.execute(one)}
