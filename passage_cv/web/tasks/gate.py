"""Pack an accepted release for a gate and verify packages."""

from __future__ import annotations

from typing import Any

from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.gate.package import write_package
from passage_cv.gate.picking import pick_reference_pictures
from passage_cv.gate.verify import verify_package
from passage_cv.policy import read_policy
from passage_cv.web.jobs import Work
from passage_cv.web.research import keep_made, made_path, new_place
from passage_cv.web.tables import Made, Release


def export(work: Work) -> dict[str, Any]:
    """Write the gate package of a release."""
    with work.sessions() as db:
        release = db.get_one(Release, work.given["release"])
        cutoffs = release.cutoffs
        run = db.get_one(Made, cutoffs.sources["run"])
    place, settings = made_path(work.settings, cutoffs), work.settings
    policy = place / "policy.toml"
    version = open_version(Store.open(settings.store_root), cutoffs.facts["version"] or "latest")
    pictures = pick_reference_pictures(version, read_policy(policy))
    out = new_place(settings, "package", work.job_id)
    made = write_package(
        made_path(settings, run), place / "cutoffs.json", policy, out, pictures=pictures, progress=work.progress
    )
    facts = {"site": cutoffs.facts["site"], "package_id": made.manifest.package_id, "verified": False, "checks": []}
    sources = {"release": release.id, "cutoffs": cutoffs.id}
    keep_made(work, "package", out, title=cutoffs.title, sources=sources, facts=facts)
    with work.sessions.begin() as db:
        db.get_one(Release, release.id).package_id = work.job_id
    return {"made": work.job_id, "unmet": list(made.unmet)}


def verify(work: Work) -> dict[str, Any]:
    """Check every byte and every reference case of a package, and keep the answer with it."""
    with work.sessions() as db:
        package = db.get_one(Made, work.given["package"])
    report = verify_package(made_path(work.settings, package), progress=work.progress)
    with work.sessions.begin() as db:
        kept = db.get_one(Made, package.id)
        checks = [{"name": check.name, "ok": check.ok, "detail": check.detail} for check in report.checks]
        kept.facts = {**kept.facts, "verified": report.ok, "checks": checks}
    return {"ok": report.ok}
