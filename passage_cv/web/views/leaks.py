"""The page for a sceptic: what is shared between roles, whether the draw can be repeated, what each class lacks."""

from __future__ import annotations

from fastapi.responses import Response

from passage_cv.dataset.versions import Version, open_version
from passage_cv.web import research as rules
from passage_cv.web import sceptic
from passage_cv.web.ask import Ask, Asking, NotFound


def leaks(ask: Asking, name: str, policy: str = "") -> Response:
    """What ties two roles together, the draw repeated, and what the limits of a policy lack."""
    opened, settings = _version(ask, name), ask.server.settings
    return ask.page(
        "leaks",
        version=opened,
        leaks=rules.leaks_of(ask.db, settings, opened),
        is_looking=rules.is_looking_for_leaks(ask.db, opened),
        draws=sceptic.draws_of(settings, opened),
        standings=sceptic.standings(settings, opened, rules.load_policy(settings, policy) if policy else None),
        policies=list(rules.list_policies(settings)),
        policy=policy,
    )


def look_for_leaks(ask: Asking, name: str) -> Response:
    """Put the search for leaks of a large version into the queue."""
    opened = _version(ask, name)
    job = rules.start_leaks(ask.db, opened, ask.person.name)
    ask.did("asked for leaks", opened.name)
    return ask.go(f"/jobs/{job.id}")


def _version(ask: Ask, name: str) -> Version:
    store = rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    return open_version(store, name)
