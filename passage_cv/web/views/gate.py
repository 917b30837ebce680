"""The engineer's pages: what awaits release, packages, and what is in service where."""

from __future__ import annotations

from typing import Annotated

from anyio.to_thread import run_sync
from fastapi import Form
from fastapi.responses import FileResponse, Response
from sqlalchemy import select
from starlette.datastructures import UploadFile

from passage_cv.errors import InputError
from passage_cv.files import read_json
from passage_cv.web import releases as rules
from passage_cv.web.about import about_jobs
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.people import Role
from passage_cv.web.research import find_made, made_of, made_path
from passage_cv.web.runs import holds_views, run_behind
from passage_cv.web.tables import Job, Made, Release
from passage_cv.web.views.batches import last_job
from passage_cv.web.views.research import find

Text = Annotated[str, Form()]


def release_list(ask: Asking) -> Response:
    """Proposals, those that wait first and with their limits in words."""
    found = rules.releases(ask.db)
    waiting = {
        one.id: rules.limits_in_words(ask.server.settings, one.cutoffs) for one in found if one.state == "proposed"
    }
    return ask.page("releases", releases=found, waiting=waiting)


def propose(ask: Asking, made_id: str, reason: Text = "") -> Response:
    """Put cutoffs before an engineer."""
    release = rules.propose(ask.db, find(ask, "cutoffs", made_id), ask.person, reason)
    ask.did("proposed release", rules.told(release))
    return ask.go(f"/releases/{release.id}")


def release(ask: Asking, release_id: str) -> Response:
    """One proposal: limits in words, its package, and what can be done next."""
    found = find_release(ask, release_id)
    package = find_made(ask.db, "package", found.package_id)
    reports = [one for one in made_of(ask.db, "report") if one.sources["cutoffs"] == found.cutoffs_id]
    service = rules.in_service(ask.db).get(str(found.cutoffs.facts["site"]))
    run = run_behind(ask.db, found.cutoffs)
    return ask.page(
        "release",
        release=found,
        cutoffs=rules.cutoffs_of(ask.server.settings, found.cutoffs),
        limits=rules.limits_in_words(ask.server.settings, found.cutoffs),
        package=package,
        reports=reports,
        holds_views=run is None or holds_views(run),
        job=last_job(ask, package.id if package else found.id) or last_job(ask, found.id),
        serves=service is not None and service.release_id == found.id,
        is_engineer=Role.ENGINEER in ask.roles,
        is_proposer=found.proposed_by_id == ask.person.id,
    )


def answer(ask: Asking, release_id: str, accept: Annotated[bool, Form()], text: Text = "") -> Response:
    """Accept or return a proposal."""
    found = find_release(ask, release_id)
    rules.answer(ask.db, found, ask.person, accept=accept, text=text)
    ask.did("accepted release" if accept else "returned release", rules.told(found))
    return ask.go(f"/releases/{found.id}")


def pack(ask: Asking, release_id: str) -> Response:
    """Pack an accepted release again, where packing failed."""
    found = find_release(ask, release_id)
    rules.start_export(ask.db, found, ask.person.name)
    ask.did("asked for package", rules.told(found))
    return ask.go(f"/releases/{found.id}")


def verify(ask: Asking, release_id: str) -> Response:
    """Have the package checked."""
    package = find_package(ask, release_id)
    rules.start_verify(ask.db, package, ask.person.name)
    ask.did("asked for verification", f"{package.title} ({package.id})")
    return ask.go(f"/releases/{release_id}")


def download(ask: Asking, release_id: str) -> Response:
    """The package as one file."""
    package = find_package(ask, release_id)
    path = rules.zip_package(ask.server.settings, package)
    ask.did("took package", f"{package.title} ({package.id})")
    return FileResponse(path, media_type="application/zip", filename=f"{rules.package_name(package)}.zip")


def put_into_service(ask: Asking, release_id: str, reason: Text = "") -> Response:
    """Write down that a site runs this package."""
    line = rules.put_into_service(ask.db, find_release(ask, release_id), ask.person.name, reason)
    ask.did("put into service", f"{line.site}: {rules.told(line.release)}")
    return ask.go("/service")


def service(ask: Asking) -> Response:
    """What each site runs and what it ran before, and what its gate's newest log says."""
    sites = {site: rules.service_of(ask.db, site) for site in sorted(rules.in_service(ask.db))}
    recent = _status_jobs(ask)
    return ask.page(
        "service",
        sites=sites,
        packages=rules.packages_of(ask.db, sites),
        ways_back={site: rules.way_back(lines) for site, lines in sites.items()},
        logs=rules.newest_status(ask.db),
        jobs=recent,
        about=about_jobs(ask.db, recent),
        is_engineer=Role.ENGINEER in ask.roles,
    )


async def hand_in_log(ask: Asking) -> Response:
    """Take a copy of a gate's log and have it read against the package in service."""
    form = await ask.request.form()
    site, log = str(form.get("site", "")), form.get("log")
    if not isinstance(log, UploadFile):
        raise InputError("No log came with the form", where=site, do="Choose the gate's log file.")
    job = await run_sync(rules.keep_log, ask.db, ask.server.settings, site, log.file, ask.person.name)
    ask.did("handed in gate log", f"{site} ({log.filename})")
    return ask.go(f"/jobs/{job.id}")


def status(ask: Asking, made_id: str) -> Response:
    """What a gate did: actions, audits with their alarms, and days unlike the others."""
    made = find(ask, "status", made_id)
    found = read_json(made_path(ask.server.settings, made) / "status.json")
    return ask.page("status", made=made, found=found)


def roll_back(ask: Asking, site: Text = "", release_id: Text = "", reason: Text = "") -> Response:
    """Go back to the package before, where that is still the one which the page named."""
    line = rules.roll_back(ask.db, site, release_id, ask.person.name, reason)
    ask.did("rolled back", f"{line.site}: {rules.told(line.release)}")
    return ask.go("/service")


def _status_jobs(ask: Ask) -> list[Job]:
    found = select(Job).where(Job.kind == "status").order_by(Job.created_at.desc()).limit(10)
    return list(ask.db.scalars(found))


def find_release(ask: Ask, release_id: str) -> Release:
    """A proposal."""
    found = ask.db.get(Release, release_id)
    if found is None:
        raise NotFound
    return found


def find_package(ask: Ask, release_id: str) -> Made:
    """The package of a proposal, once it was packed."""
    found = find_made(ask.db, "package", find_release(ask, release_id).package_id)
    if found is None:
        raise NotFound
    return found
