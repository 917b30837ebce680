"""The researcher's and the engineer's further steps as JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import Path
from pydantic import Field

from passage_cv.config import Settings
from passage_cv.dataset.agreement import agreement
from passage_cv.dataset.diff import diff_versions
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.web import releases, remembered
from passage_cv.web import research as rules
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.tables import Release
from passage_cv.web.views.api import Id, Line, Reason, Started
from passage_cv.web.views.research import find

Name = Annotated[str, Path(max_length=40)]


class NewStore(Settings):
    """How roles are drawn, for good."""

    unit: Literal["trip", "individual"] = "trip"
    train: Annotated[float, Field(ge=0, le=1)] = 0.4
    cut: Annotated[float, Field(ge=0, le=1)] = 0.4
    test: Annotated[float, Field(ge=0, le=1)] = 0.2
    policy: Line = ""


class NewPolicy(Settings):
    """A site's policy under a new name."""

    name: Line
    text: Annotated[str, Field(max_length=100_000)]


class Pair(Settings):
    """Two runs to compare."""

    first: Line
    second: Line


class Trial(Settings):
    """Scores and a policy to try other demands on."""

    scores: Line
    policy: Line


class Back(Settings):
    """Which site goes back to its package before, and why."""

    site: Line
    reason: Line


def begin(ask: Asking, new: NewStore) -> dict[str, Any]:
    """Begin the data set."""
    shares = {"train": new.train, "cut": new.cut, "test": new.test}
    store = rules.begin_store(ask.server.settings, unit=new.unit, shares=shares, policy=new.policy)
    ask.did("began data set", f"unit {store.settings.unit}, seed {store.settings.seed}")
    return store.settings.model_dump(mode="json")


def policies(ask: Asking) -> dict[str, Any]:
    """The site policies that were handed in."""
    found = rules.list_policies(ask.server.settings)
    return {name: {"site": one.site, "sha256": one.sha256} for name, one in found.items()}


def keep_policy(ask: Asking, new: NewPolicy) -> dict[str, str]:
    """Hand in a policy under a new name."""
    policy = rules.keep_policy(ask.server.settings, new.name, new.text)
    ask.did("handed in policy", f"{new.name} ({policy.sha256[:12]})")
    return {"name": new.name, "sha256": policy.sha256}


def cover(ask: Asking, name: Name) -> list[dict[str, Any]]:
    """Individuals of each class at each level of each dimension."""
    return [asdict(one) for one in remembered.cells(ask.server.settings, open_version(_store(ask), name))]


def leaks(ask: Asking, name: Name) -> list[dict[str, Any]]:
    """Whether anything stands on both sides of the roles; of a large version, what the last search found."""
    found = rules.leaks_of(ask.db, ask.server.settings, open_version(_store(ask), name))
    if found is None:
        raise InputError("Nobody has looked yet", where=name, do="Ask for the search with a POST to this address.")
    return [{**asdict(one), "is_fault": one.is_fault} for one in found]


def look_for_leaks(ask: Asking, name: Name) -> Started:
    """Look for everything that could tie two roles together."""
    job = rules.start_leaks(ask.db, open_version(_store(ask), name), ask.person.name)
    ask.did("asked for leaks", name)
    return Started(job=job.id)


def diff(ask: Asking, name: Name, older: Name) -> dict[str, Any]:
    """What came and what changed between two versions."""
    store = _store(ask)
    return asdict(diff_versions(open_version(store, older), open_version(store, name)))


def readings(ask: Asking) -> dict[str, Any]:
    """How far second readers agree with the labels."""
    found = agreement(_store(ask))
    return {"n_read": found.n_read, "agreed": found.agreed, "unsure": found.unsure, "readers": list(found.readers)}


def compare(ask: Asking, new: Pair) -> Started:
    """Compare two runs on the fish both learnt from."""
    one, two = find(ask, "run", new.first), find(ask, "run", new.second)
    job = rules.start_comparison(ask.db, one, two, ask.person.name)
    ask.did("asked for comparison", f"{one.title} / {two.title}")
    return Started(job=job.id)


def try_out(ask: Asking, new: Trial) -> Started:
    """Ask what other demands would come to; costs no attempt."""
    made = find(ask, "scores", new.scores)
    job = rules.start_trial(ask.db, ask.server.settings, made, new.policy, ask.person.name)
    ask.did("asked for what-if", f"{made.title} under {new.policy}")
    return Started(job=job.id)


def pack(ask: Asking, release_id: Id) -> Started:
    """Pack an accepted release again."""
    job = releases.start_export(ask.db, _release(ask, release_id), ask.person.name)
    ask.did("asked for package", release_id)
    return Started(job=job.id)


def verify(ask: Asking, release_id: Id) -> Started:
    """Have every byte and reference case of a package checked."""
    package = rules.find_made(ask.db, "package", _release(ask, release_id).package_id)
    if package is None:
        raise NotFound
    job = releases.start_verify(ask.db, package, ask.person.name)
    ask.did("asked for verification", package.id)
    return Started(job=job.id)


def put_into_service(ask: Asking, release_id: Id, why: Reason) -> dict[str, str]:
    """Write down that a site runs this package now."""
    line = releases.put_into_service(ask.db, _release(ask, release_id), ask.person.name, why.reason)
    ask.did("put into service", f"{line.site}: {release_id}")
    return {"site": line.site, "release": line.release_id}


def roll_back(ask: Asking, new: Back) -> dict[str, str]:
    """Go back to the package before."""
    line = releases.roll_back(ask.db, new.site, ask.person.name, new.reason)
    ask.did("rolled back", f"{line.site}: {line.release_id}")
    return {"site": line.site, "release": line.release_id}


def _release(ask: Ask, release_id: str) -> Release:
    found = ask.db.get(Release, release_id)
    if found is None:
        raise NotFound
    return found


def _store(ask: Ask) -> Store:
    store = rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    return store
