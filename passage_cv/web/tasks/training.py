"""Train and score; the only module of the web application that needs torch, loaded in the child process alone."""

from __future__ import annotations

from typing import Any

from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.recognition.score import score_version
from passage_cv.recognition.settings import read_train_settings
from passage_cv.recognition.train import train_model
from passage_cv.scores import write_scores
from passage_cv.web.jobs import Work
from passage_cv.web.research import keep_made, load_policy, made_path, new_place
from passage_cv.web.set_ups import training_set_ups
from passage_cv.web.tables import Made

_HASH_SHOWN = 8
"""Digits of a model's hash in the title of its run: they tell runs of one set-up and version apart."""


def train(work: Work) -> dict[str, Any]:
    """Fit a model on role ``train`` of a version."""
    given = work.given
    store = Store.open(work.settings.store_root)
    version = open_version(store, given["version"])
    out = new_place(work.settings, "run", work.job_id)
    summary = train_model(
        read_train_settings(training_set_ups(work.settings)[given["config"]]),
        store,
        version,
        out,
        policy=load_policy(work.settings, given["policy"]),
        progress=work.progress,
    )
    facts = {
        "model_sha256": summary.model_sha256,
        "version": version.name,
        "classes": list(summary.classes),
        "metrics": dict(summary.metrics),
        "policy": given["policy"],
    }
    title = f"{given['config']} on {version.name}, {summary.model_sha256[:_HASH_SHOWN]}"
    keep_made(work, "run", out, title=title, sources={}, facts=facts)
    return {"made": work.job_id}


def score(work: Work) -> dict[str, Any]:
    """Score every fish of the run's version."""
    with work.sessions() as db:
        run = db.get_one(Made, work.given["run"])
    store = Store.open(work.settings.store_root)
    version = open_version(store, run.facts["version"])
    place = new_place(work.settings, "scores", work.job_id)
    place.mkdir()
    scores = score_version(made_path(work.settings, run), store, version, progress=work.progress)
    write_scores(scores, place / "scores.parquet")
    facts = {"rows": len(scores.role), "version": version.name, "model_sha256": run.facts["model_sha256"]}
    keep_made(work, "scores", place, title=run.title, sources={"run": run.id}, facts=facts)
    return {"made": work.job_id}
