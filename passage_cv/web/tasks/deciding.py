"""Calibrate and evaluate, with the stage functions of the command line and the ledger of the store."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from passage_cv.dataset.store import store_exists
from passage_cv.evaluation.report import percent
from passage_cv.pipeline import calibrate_scores, evaluate_scores
from passage_cv.web.jobs import Work
from passage_cv.web.research import keep_made, made_path, new_place, policy_path
from passage_cv.web.tables import Made


def calibrate(work: Work) -> dict[str, Any]:
    """Set the cutoffs of some scores under a policy; a limit that cannot be shown is an outcome, not an error."""
    with work.sessions() as db:
        scores = db.get_one(Made, work.given["scores"])
    place = new_place(work.settings, "cutoffs", work.job_id)
    place.mkdir()
    policy = shutil.copyfile(policy_path(work.settings, work.given["policy"]), place / "policy.toml")
    found = calibrate_scores(
        made_path(work.settings, scores) / "scores.parquet",
        Path(policy),
        place / "cutoffs.json",
        store=_store(work),
        author=work.who,
        progress=work.progress,
    )
    cutoffs = found.cutoffs
    facts = {
        "site": cutoffs.site,
        "u": cutoffs.u,
        "v": cutoffs.v,
        "sha256": found.sha256,
        "attempt": cutoffs.attempt,
        "policy": work.given["policy"],
        "version": cutoffs.version,
        "unmet": list(found.unmet),
        "warnings": list(cutoffs.warnings),
    }
    title = f"{cutoffs.site}, {work.given['policy']}"
    sources = {"scores": scores.id, **scores.sources}
    keep_made(work, "cutoffs", place, title=title, sources=sources, facts=facts)
    return {"made": work.job_id, "unmet": list(found.unmet)}


def evaluate(work: Work) -> dict[str, Any]:
    """Judge the ``test`` fish with fixed cutoffs and keep the report."""
    with work.sessions() as db:
        cutoffs = db.get_one(Made, work.given["cutoffs"])
        scores = db.get_one(Made, cutoffs.sources["scores"])
        run = db.get(Made, scores.sources.get("run", ""))
    place = new_place(work.settings, "report", work.job_id)
    found = evaluate_scores(
        made_path(work.settings, scores) / "scores.parquet",
        made_path(work.settings, cutoffs) / "cutoffs.json",
        place,
        store=_store(work),
        run=made_path(work.settings, run) if run else None,
    )
    counts = [
        {
            "class": one.code,
            "group": one.group,
            "shown": one.shown,
            "passed": one.passed,
            "held": one.held,
            "rejected": one.rejected,
            "rate": "-" if one.rate is None else percent(one.rate),
            "at_most": percent(one.interval[1], up=True),
        }
        for one in found.assessment.counts
    ]
    facts = {"checked": found.assessment.checked, "counts": counts, "site": found.assessment.cutoffs.site}
    sources = {"cutoffs": cutoffs.id, **cutoffs.sources}
    keep_made(work, "report", place, title=cutoffs.title, sources=sources, facts=facts)
    return {"made": work.job_id}


def _store(work: Work) -> str | None:
    """The store whose ledger counts the looks, a folder or an S3 address."""
    return work.settings.store_root if store_exists(work.settings.store_root) else None
