"""From cutoffs to a gate as JSON: proposals, packages, what is in service where, and what gates did."""

from __future__ import annotations

from typing import Annotated

from fastapi import Form, UploadFile

from passage_cv.web import releases
from passage_cv.web.ask import Ask, Asking
from passage_cv.web.tables import Release, Service
from passage_cv.web.views.api_records import Id, Reason, Started
from passage_cv.web.views.api_work_records import Answer, Back, ReleaseState, ServiceLine, SiteState
from passage_cv.web.views.gate import find_package, find_release
from passage_cv.web.views.research import find


def release_list(ask: Asking) -> list[ReleaseState]:
    """Proposals with their limits in words, those that wait first."""
    return [_state(ask, one) for one in releases.releases(ask.db)]


def release(ask: Asking, release_id: Id) -> ReleaseState:
    """One proposal."""
    return _state(ask, find_release(ask, release_id))


def propose(ask: Asking, made_id: Id, why: Reason) -> ReleaseState:
    """Propose cutoffs for release."""
    made = releases.propose(ask.db, find(ask, "cutoffs", made_id), ask.person, why.reason)
    ask.did("proposed release", releases.told(made))
    return _state(ask, made)


def answer(ask: Asking, release_id: Id, given: Answer) -> ReleaseState:
    """Accept or return a proposal; never by the person who made it."""
    found = find_release(ask, release_id)
    releases.answer(ask.db, found, ask.person, accept=given.accept, text=given.text)
    ask.did("accepted release" if given.accept else "returned release", releases.told(found))
    return _state(ask, found)


def pack(ask: Asking, release_id: Id) -> Started:
    """Pack an accepted release again."""
    found = find_release(ask, release_id)
    job = releases.start_export(ask.db, found, ask.person.name)
    ask.did("asked for package", releases.told(found))
    return Started(job=job.id)


def verify(ask: Asking, release_id: Id) -> Started:
    """Have every byte and reference case of a package checked."""
    package = find_package(ask, release_id)
    job = releases.start_verify(ask.db, package, ask.person.name)
    ask.did("asked for verification", f"{package.title} ({package.id})")
    return Started(job=job.id)


def put_into_service(ask: Asking, release_id: Id, why: Reason) -> SiteState:
    """Write down that a site runs this package now."""
    line = releases.put_into_service(ask.db, find_release(ask, release_id), ask.person.name, why.reason)
    ask.did("put into service", f"{line.site}: {releases.told(line.release)}")
    return _site(ask, line.site)


def service(ask: Asking) -> list[SiteState]:
    """What each site runs and what it ran before, and the newest reading of its gate's log."""
    return [_site(ask, site) for site in sorted(releases.in_service(ask.db))]


def roll_back(ask: Asking, new: Back) -> SiteState:
    """Go back to the package before; ``release`` is what ``back`` of the site said, refused once that changed."""
    line = releases.roll_back(ask.db, new.site, new.release, ask.person.name, new.reason)
    ask.did("rolled back", f"{line.site}: {releases.told(line.release)}")
    return _site(ask, line.site)


def hand_in_log(ask: Asking, site: Annotated[str, Form(max_length=80)], log: UploadFile) -> Started:
    """Hand in a copy of a gate's log; once read, its actions, audits and alarms are a thing of kind ``status``."""
    job = releases.keep_log(ask.db, ask.server.settings, site, log.file, ask.person.name)
    ask.did("handed in gate log", f"{site} ({log.filename})")
    return Started(job=job.id)


def _state(ask: Ask, one: Release) -> ReleaseState:
    serving = releases.in_service(ask.db).get(str(one.cutoffs.facts["site"]))
    return ReleaseState(
        id=one.id,
        cutoffs=one.cutoffs_id,
        package=one.package_id,
        state=one.state,
        proposed_by=one.proposed_by.name,
        proposed_at=one.proposed_at,
        decided_by=one.decided_by.name if one.decided_by else "",
        decided_at=one.decided_at,
        reason=one.reason,
        answer=one.answer,
        limits=releases.limits_in_words(ask.server.settings, one.cutoffs),
        in_service=serving is not None and serving.release_id == one.id,
    )


def _site(ask: Ask, site: str) -> SiteState:
    lines = releases.service_of(ask.db, site)
    now, *before = [_line(one) for one in lines]
    read, way = releases.newest_status(ask.db).get(site), releases.way_back(lines)
    back = way.release.id if way else ""
    return SiteState(site=site, now=now, before=before, back=back, log=read.id if read else "")


def _line(one: Service) -> ServiceLine:
    return ServiceLine(release=one.release_id, since=one.at, who=one.who, reason=one.reason)
