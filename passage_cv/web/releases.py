"""From cutoffs to a gate: proposed by a researcher, accepted by an engineer who is another person, put into service.

Nothing is ever taken away: every release and every change of what is in service stays on record.
"""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from passage_cv.decision.cutoffs_file import Cutoffs, read_cutoffs
from passage_cv.errors import InputError
from passage_cv.evaluation.report import Names, limit_sentence
from passage_cv.policy import read_policy
from passage_cv.web.jobs import add_job, is_busy
from passage_cv.web.research import made_path
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Job, Made, Release, Service, User, utc

_SQLITE = b"SQLite format 3\x00"
"""The first bytes of a gate log."""


@dataclass(frozen=True, slots=True)
class WayBack:
    """The release that a site would go back to, and until when it was in service there."""

    release: Release
    until: str


def cutoffs_of(settings: WebSettings, made: Made) -> Cutoffs:
    """The cutoffs file of an entry."""
    return read_cutoffs(made_path(settings, made) / "cutoffs.json")


def limits_in_words(settings: WebSettings, made: Made) -> list[str]:
    """One sentence per limit, with the full names of the policy the cutoffs were set under."""
    policy = read_policy(made_path(settings, made) / "policy.toml")
    names = Names({rule.code: rule.scientific_name for rule in policy.classes})
    return [limit_sentence(limit, names) for limit in cutoffs_of(settings, made).asked]


def propose(db: Session, cutoffs: Made, who: User, reason: str) -> Release:
    """Put cutoffs before an engineer.

    Raises
    ------
    InputError
        If no reason is given, or they stand before an engineer already.
    """
    if not reason.strip():
        raise InputError("A proposal needs a reason", where=cutoffs.title, do="Say what is better than before.")
    waiting = select(Release).where(Release.cutoffs_id == cutoffs.id, Release.state.in_(("proposed", "accepted")))
    if db.scalar(waiting.limit(1)):
        raise InputError("These cutoffs were proposed already", where=cutoffs.title, do="See the page Releases.")
    release = Release(cutoffs_id=cutoffs.id, proposed_by_id=who.id, reason=reason.strip()[:500])
    db.add(release)
    db.flush()
    return release


def answer(db: Session, release: Release, who: User, *, accept: bool, text: str) -> Job | None:
    """Accept a proposal, which begins the export of the package, or return it with the reason.

    Raises
    ------
    InputError
        If it was answered already, the person who proposed it answers, or it is returned without a reason.
    """
    if release.state != "proposed":
        raise InputError(f"This proposal is {release.state}", where=release.id, do="Load the page again.")
    if release.proposed_by_id == who.id:
        raise InputError(
            "Proposed and accepted by the same person", where=who.name, do="A second person decides about a release."
        )
    if not accept and not text.strip():
        raise InputError("It is returned with a reason", where=release.id, do="Say what is missing.")
    release.state = "accepted" if accept else "returned"
    release.decided_by_id, release.decided_at, release.answer = who.id, utc(), text.strip()[:500]
    return start_export(db, release, who.name) if accept else None


def start_export(db: Session, release: Release, who: str) -> Job:
    """Ask for the package of an accepted release.

    Raises
    ------
    InputError
        If it is not accepted, has its package, or is being packed.
    """
    if release.state != "accepted" or release.package_id or is_busy(db, release.id):
        raise InputError(f"Release is {release.state} and cannot be packed now", where=release.id, do="See its page.")
    return add_job(db, "export", release.id, {"release": release.id}, who)


def start_verify(db: Session, package: Made, who: str) -> Job:
    """Ask for every byte and every reference case of a package to be checked."""
    return add_job(db, "verify", package.id, {"package": package.id}, who)


def put_into_service(db: Session, release: Release, who: str, reason: str) -> Service:
    """Write down that a site runs this release's package now.

    Raises
    ------
    InputError
        If there is no verified package, or no reason is given.
    """
    package = db.get(Made, release.package_id) if release.package_id else None
    if package is None or not package.facts.get("verified"):
        raise InputError("There is no verified package", where=release.id, do="Verify the package first.")
    if not reason.strip():
        raise InputError("A change at the gate needs a reason", where=release.id, do="Say why.")
    site = str(package.facts["site"])
    current = in_service(db).get(site)
    if current is not None and current.release_id == release.id:
        raise InputError("This package is in service already", where=site, do="Nothing was changed.")
    line = Service(site=site, release_id=release.id, who=who, reason=reason.strip()[:500])
    db.add(line)
    db.flush()
    return line


def roll_back(db: Session, site: str, release_id: str, who: str, reason: str) -> Service:
    """Go back to the package that the site ran before this one; ``release_id`` names the release meant by the press.

    Raises
    ------
    InputError
        If there is none, the way back leads to another release by now, or no reason is given.
    """
    way = way_back(service_of(db, site))
    if way is None:
        raise InputError("There is no package before this one", where=site, do="Set the gate to its safe position.")
    if way.release.id != release_id:
        raise InputError(
            f"The way back leads to release {way.release.id} now, not to {release_id[:40] or 'the one shown'}",
            where=f"{site}, release {service_of(db, site)[0].release_id} in service",
            do="Load the page In service again, and press once more if going back is still right.",
        )
    return put_into_service(db, way.release, who, reason)


def way_back(history: list[Service]) -> WayBack | None:
    """What stood before the present package was ever in service, of a site's lines newest first.

    Counted from the first line of the present package, so that going back twice goes further back, and never
    forward again to a package that was left.
    """
    oldest_first = history[::-1]
    first = next((n for n, line in enumerate(oldest_first) if line.release_id == history[0].release_id), 0)
    return WayBack(oldest_first[first - 1].release, oldest_first[first].at) if first else None


def service_of(db: Session, site: str) -> list[Service]:
    """What a site ran, newest first."""
    return list(db.scalars(select(Service).where(Service.site == site).order_by(Service.id.desc())))


def packages_of(db: Session, sites: Mapping[str, list[Service]]) -> dict[str, str]:
    """The package id of each release that sites ran; it stands in the gate's own log and registers too."""
    ran = {line.release_id: line.release.package_id for lines in sites.values() for line in lines}
    found = {release: db.get(Made, package) for release, package in ran.items()}
    return {release: str(made.facts.get("package_id", "")) if made else "" for release, made in found.items()}


def in_service(db: Session) -> dict[str, Service]:
    """What each site runs now."""
    return {line.site: line for line in db.scalars(select(Service).order_by(Service.id))}


def keep_log(db: Session, settings: WebSettings, site: str, log: IO[bytes], who: str) -> Job:
    """Keep a copy of a gate's log and ask for it to be read against the package in service.

    Raises
    ------
    InputError
        If nothing is in service at the site, or the file is no gate log.
    """
    line = in_service(db).get(site)
    package = db.get(Made, line.release.package_id) if line else None
    if package is None:
        raise InputError("Nothing is in service there", where=site[:80], do="Put a package into service first.")
    if log.read(len(_SQLITE)) != _SQLITE:
        raise InputError("File is no gate log", where=site, do="Choose the log that the gate computer keeps.")
    log.seek(0)
    path = settings.data / "gate-logs" / f"{utc()[:19].replace(':', '')}-{package.id}.sqlite"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as target:
        shutil.copyfileobj(log, target)
    return add_job(db, "status", package.id, {"package": package.id, "log": str(path)}, who)


def newest_status(db: Session) -> dict[str, Made]:
    """For each site the newest reading of its gate's log."""
    found = db.scalars(select(Made).where(Made.kind == "status").order_by(Made.at))
    return {str(one.facts["site"]): one for one in found}


def releases(db: Session) -> list[Release]:
    """Every proposal, those that wait first, then the newest."""
    found = db.scalars(select(Release).order_by(Release.proposed_at.desc())).all()
    return sorted(found, key=lambda one: one.state != "proposed")


def zip_package(settings: WebSettings, package: Made) -> Path:
    """The package as one file to carry to the gate; made once, always the same bytes."""
    folder = made_path(settings, package)
    target = folder.parent / f"{folder.name}.zip"
    if target.is_file():
        return target
    part = target.with_suffix(".part")
    with zipfile.ZipFile(part, "w", zipfile.ZIP_STORED) as packed:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                entry = zipfile.ZipInfo(f"{package_name(package)}/{path.relative_to(folder).as_posix()}")
                with path.open("rb") as source, packed.open(entry, "w", force_zip64=True) as out:
                    shutil.copyfileobj(source, out)
    part.replace(target)
    return target


def told(release: Release) -> str:
    """A release as the record of deeds names it: by its cutoffs, and by the id that tells it from others of them."""
    return f"{release.cutoffs.title} ({release.id})"


def package_name(package: Made) -> str:
    """A name for the file that says the site and the package."""
    facts: dict[str, Any] = package.facts
    return f"{facts['site']}-{str(facts['package_id'])[:12]}"
