"""Look without deciding: compare runs, try other demands, read what a gate did. Nothing here costs an attempt."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from passage_cv.dataset.leaks import find_leaks
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.files import write_json
from passage_cv.pipeline import sweep_scores
from passage_cv.recognition.compare import compare_runs
from passage_cv.service.status import gate_status
from passage_cv.web.jobs import Work
from passage_cv.web.remembered import keep_leaks
from passage_cv.web.research import keep_made, load_policy, made_path, new_place, policy_path
from passage_cv.web.tables import Made


def compare(work: Work) -> dict[str, Any]:
    """Two runs on the fish both learnt from, each fish left out in turn."""
    with work.sessions() as db:
        runs = [db.get_one(Made, work.given[name]) for name in ("first", "second")]
    names = {str(run.facts["policy"]) for run in runs}
    policy = load_policy(work.settings, names.pop()) if len(names) == 1 else None
    found = compare_runs(*(made_path(work.settings, run) for run in runs), policy=policy).as_dict()
    place = new_place(work.settings, "comparison", work.job_id)
    write_json(place / "comparison.json", {**found, "first": runs[0].title, "second": runs[1].title})
    sources = {"first": runs[0].id, "second": runs[1].id}
    facts = {"version": found["version"], "overall": found["overall"]}
    keep_made(work, "comparison", place, title=f"{runs[0].title} / {runs[1].title}", sources=sources, facts=facts)
    return {"made": work.job_id}


def try_out(work: Work) -> dict[str, Any]:
    """What other limits, costs and shares would come to on the ``train`` fish."""
    with work.sessions() as db:
        scores = db.get_one(Made, work.given["scores"])
    policy = work.given["policy"]
    place = new_place(work.settings, "whatif", work.job_id)
    written = sweep_scores(
        made_path(work.settings, scores) / "scores.parquet", policy_path(work.settings, policy), place
    )
    facts = {"policy": policy, "tables": [path.stem for path in written]}
    sources = {"scores": scores.id, **scores.sources}
    keep_made(work, "whatif", place, title=f"{scores.title}, {policy}", sources=sources, facts=facts)
    return {"made": work.job_id}


def leaks(work: Work) -> dict[str, Any]:
    """Everything that could tie two roles of a version together."""
    version = open_version(Store.open(work.settings.store_root), work.given["version"])
    found = find_leaks(version)
    keep_leaks(work.settings, version, found)
    place = new_place(work.settings, "leaks", work.job_id)
    write_json(place / "leaks.json", [asdict(one) for one in found])
    keep_made(work, "leaks", place, title=version.name, sources={}, facts={"looked": len(found)})
    return {"made": work.job_id}


def status(work: Work) -> dict[str, Any]:
    """What a gate did with one package, what audits found, and which days were unlike the others."""
    with work.sessions() as db:
        package = db.get_one(Made, work.given["package"])
    found = gate_status(made_path(work.settings, package), Path(work.given["log"]))
    place = new_place(work.settings, "status", work.job_id)
    write_json(place / "status.json", found.as_dict())
    facts = {
        "site": package.facts["site"],
        "ok": found.ok,
        "alarms": [f"{one.code}: {one.kind}" for one in found.audits.alarms],
        "signals": len(found.drift.signals),
        "presentations": found.presentations,
        "last": found.last,
    }
    keep_made(work, "status", place, title=str(package.facts["site"]), sources={"package": package.id}, facts=facts)
    return {"made": work.job_id}
