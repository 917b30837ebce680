"""The data set as JSON: its versions, what they hold and lack, policies, and every look at ``cut`` and ``test``."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from fastapi import Query

from passage_cv.dataset.coverage import Cell
from passage_cv.dataset.diff import VersionDiff, diff_versions
from passage_cv.dataset.leaks import Leak
from passage_cv.dataset.ledger import Use, uses_of
from passage_cv.dataset.missing import Standing
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, VersionInfo, open_version
from passage_cv.errors import InputError
from passage_cv.web import remembered, sceptic
from passage_cv.web import research as rules
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.views.api_records import Name, Started
from passage_cv.web.views.api_work_records import LeakLine, NewPolicy, NewStore, PolicyState, StoreState, VersionState


def store_state(ask: Asking) -> StoreState:
    """How roles are drawn; before the data set is begun, what is usual."""
    store = rules.open_store(ask.server.settings)
    return StoreState(is_begun=store is not None, settings=store.settings if store else StoreSettings())


def begin(ask: Asking, new: NewStore) -> StoreState:
    """Begin the data set."""
    shares = {"train": new.train, "cut": new.cut, "test": new.test}
    store = rules.begin_store(ask.server.settings, unit=new.unit, shares=shares, policy=new.policy)
    ask.did("began data set", f"unit {store.settings.unit}, seed {store.settings.seed}")
    return StoreState(is_begun=True, settings=store.settings)


def versions(ask: Asking) -> list[VersionInfo]:
    """The history of the data set, oldest first."""
    store = rules.open_store(ask.server.settings)
    return list(remembered.versions(ask.server.settings, store)) if store else []


def version(ask: Asking, name: Name) -> VersionState:
    """One version: its record, and fish per class and role."""
    opened = _open(ask, name)
    counts = remembered.held(ask.server.settings, opened).counts
    return VersionState(**opened.record.model_dump(), version=opened.name, classes=counts)


def cover(ask: Asking, name: Name) -> list[Cell]:
    """Individuals of each class at each level of each dimension."""
    return list(remembered.cells(ask.server.settings, _open(ask, name)))


def leaks(ask: Asking, name: Name) -> list[LeakLine]:
    """Whether anything stands on both sides of the roles; of a large version, what the last search found."""
    found = rules.leaks_of(ask.db, ask.server.settings, _open(ask, name))
    if found is None:
        raise InputError("Nobody has looked yet", where=name, do="Ask for the search with a POST to this address.")
    return _lines(found)


def look_for_leaks(ask: Asking, name: Name) -> Started:
    """Look for everything that could tie two roles together."""
    job = rules.start_leaks(ask.db, _open(ask, name), ask.person.name)
    ask.did("asked for leaks", name)
    return Started(job=job.id)


def draws(ask: Asking, name: Name) -> list[LeakLine]:
    """Every draw of roles repeated from the seed: what does not come out as it stands."""
    return _lines(sceptic.draws_of(ask.server.settings, _open(ask, name)))


def standings(ask: Asking, name: Name, policy: Annotated[str, Query(max_length=80)] = "") -> list[Standing]:
    """What each class has and, where a policy is named, what its limits still lack."""
    opened, settings = _open(ask, name), ask.server.settings
    return list(sceptic.standings(settings, opened, rules.load_policy(settings, policy) if policy else None))


def diff(ask: Asking, name: Name, older: Name) -> VersionDiff:
    """What came and what changed between two versions."""
    return diff_versions(_open(ask, older), _open(ask, name))


def policies(ask: Asking) -> list[PolicyState]:
    """The site policies that were handed in."""
    found = rules.list_policies(ask.server.settings)
    return [PolicyState(name=name, site=one.site, sha256=one.sha256) for name, one in found.items()]


def keep_policy(ask: Asking, new: NewPolicy) -> PolicyState:
    """Hand in a policy under a new name."""
    policy = rules.keep_policy(ask.server.settings, new.name, new.text)
    ask.did("handed in policy", f"{new.name} ({policy.sha256[:12]})")
    return PolicyState(name=new.name, site=policy.site, sha256=policy.sha256)


def ledger(ask: Asking) -> list[Use]:
    """Every look at ``cut`` and ``test``."""
    store = rules.open_store(ask.server.settings)
    return [*uses_of(store, "cut"), *uses_of(store, "test")] if store else []


def _lines(found: Iterable[Leak]) -> list[LeakLine]:
    return [
        LeakLine(
            what=one.what,
            n=one.n,
            shared=one.shared,
            allowed=one.allowed,
            examples=list(one.examples),
            is_fault=one.is_fault,
        )
        for one in found
    ]


def _open(ask: Ask, name: str) -> Version:
    return open_version(_store(ask), name)


def _store(ask: Ask) -> Store:
    store = rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    return store
