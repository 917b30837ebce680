"""What a researcher asks for and what comes of it: policies, runs, scores, cutoffs and reports.

Starts jobs and keeps account of what they made. Every rule lives in the stages that the jobs call.
"""

from __future__ import annotations

import csv
import secrets
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from passage_cv.config import parse_settings
from passage_cv.dataset.leaks import Leak
from passage_cv.dataset.store import Shares, Store, StoreSettings, store_exists
from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.files import read_json, write_text
from passage_cv.policy import Policy, read_policy
from passage_cv.web import remembered
from passage_cv.web.handed_in import as_toml, is_name
from passage_cv.web.jobs import Work, add_job, is_busy
from passage_cv.web.set_ups import training_set_ups
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Job, Made

KINDS = ("run", "scores", "cutoffs", "report", "package", "comparison", "whatif", "status", "leaks")


def open_store(settings: WebSettings) -> Store | None:
    """The data set, or None before it was begun."""
    return Store.open(settings.store_root) if store_exists(settings.store_root) else None


def begin_store(settings: WebSettings, *, unit: str, shares: Mapping[str, float], policy: str = "") -> Store:
    """Fix for good how roles are drawn, with a seed drawn now.

    Raises
    ------
    InputError
        If the data set was begun already, or a value cannot be used.
    """
    if store_exists(settings.store_root):
        raise InputError("The data set was begun already", where="store.toml", do="Its settings are never changed.")
    rules = load_policy(settings, policy).in_group("exclude", "protected") if policy else ()
    values = {
        "unit": unit,
        "shares": dict(shares),
        "seed": secrets.randbelow(2**31),
        "limited": tuple(rule.scientific_name for rule in rules),
    }
    return Store.create(settings.store_root, parse_settings(values, StoreSettings, where="form"))


def usual_shares() -> Shares:
    """What the form proposes."""
    return Shares()


def list_policies(settings: WebSettings) -> dict[str, Policy]:
    """The site policies that were handed in, by name."""
    return {path.stem: read_policy(path) for path in sorted((settings.data / "policies").glob("*.toml"))}


def policy_path(settings: WebSettings, name: str) -> Path:
    """The file of a policy.

    Raises
    ------
    InputError
        If there is none of this name.
    """
    path = settings.data / "policies" / f"{name}.toml"
    if not is_name(name) or not path.is_file():
        raise InputError(f"There is no policy {name[:40]!r}", do="Hand it in on the page Policies.")
    return path


def load_policy(settings: WebSettings, name: str) -> Policy:
    """Read a policy by its name."""
    return read_policy(policy_path(settings, name))


def keep_policy(settings: WebSettings, name: str, text: str) -> Policy:
    """Keep a site's policy under a new name; a policy that was handed in is never changed.

    Raises
    ------
    InputError
        If the name is taken or cannot be used, or the text is no policy.
    """
    if not is_name(name):
        raise InputError(f"Policy name {name[:40]!r} cannot be used", do="Take letters, digits and hyphens.")
    path = settings.data / "policies" / f"{name}.toml"
    if path.exists():
        raise InputError("A policy of this name is there", where=name, do="Give the changed one a new name.")
    policy = parse_settings(as_toml(text, where=name), Policy, where=name)
    write_text(path, text)
    return policy


def start_training(db: Session, settings: WebSettings, who: str, *, config: str, policy: str, version: str) -> Job:
    """Ask for a model of one version of the data set.

    Raises
    ------
    InputError
        If set-up, policy or data set are not there.
    """
    known = training_set_ups(settings)
    if config not in known:
        raise InputError(f"There is no training set-up {config[:40]!r}", do=f"Choose of {', '.join(known)}.")
    policy_path(settings, policy)
    if open_store(settings) is None:
        raise InputError("The data set was not begun yet", do="Begin it on the page Data set.")
    return add_job(db, "train", "training", {"config": config, "policy": policy, "version": version}, who)


def start_scoring(db: Session, run: Made, who: str) -> Job:
    """Ask for scores of every fish of the run's version, with its lasting role."""
    return add_job(db, "score", run.id, {"run": run.id}, who)


def start_calibration(db: Session, settings: WebSettings, scores: Made, policy: str, who: str) -> Job:
    """Ask for cutoffs under a policy; the look at role ``cut`` goes into the ledger."""
    policy_path(settings, policy)
    return add_job(db, "calibrate", scores.id, {"scores": scores.id, "policy": policy}, who)


def start_trial(db: Session, settings: WebSettings, scores: Made, policy: str, who: str) -> Job:
    """Ask what other demands would come to; reads role ``train`` alone and costs no attempt."""
    policy_path(settings, policy)
    return add_job(db, "try", scores.id, {"scores": scores.id, "policy": policy}, who)


def start_comparison(db: Session, first: Made, second: Made, who: str) -> Job:
    """Ask which of two runs is right more often on the fish both learnt from.

    Raises
    ------
    InputError
        If both are the same run.
    """
    if first.id == second.id:
        raise InputError("A run is compared with another one", where=first.title, do="Choose two runs.")
    return add_job(db, "compare", second.id, {"first": first.id, "second": second.id}, who)


def start_leaks(db: Session, version: Version, who: str) -> Job:
    """Ask for everything that could tie two roles of a version together."""
    return add_job(db, "leaks", version.name, {"version": version.name}, who)


def leaks_of(db: Session, settings: WebSettings, version: Version) -> list[Leak] | None:
    """What ties roles of a version together; None where it is large and nobody has looked yet."""
    is_kept = remembered.place(settings.data, version.name, "leaks").is_file()
    if is_kept or remembered.held(settings, version).n_images <= remembered.AT_ONCE:
        return remembered.leaks(settings, version)
    found = next((one for one in made_of(db, "leaks") if one.title == version.name), None)
    if found is None:
        return None
    values = read_json(made_path(settings, found) / "leaks.json")
    return [Leak(**{**one, "examples": tuple(one["examples"])}) for one in values]


def is_looking_for_leaks(db: Session, version: Version) -> bool:
    """Whether work in the background looks for leaks of a version, or will."""
    return is_busy(db, version.name)


def start_evaluation(db: Session, cutoffs: Made, who: str) -> Job:
    """Ask for the report of cutoffs; the look at role ``test`` goes into the ledger."""
    return add_job(db, "evaluate", cutoffs.id, {"cutoffs": cutoffs.id}, who)


def made_of(db: Session, kind: str) -> list[Made]:
    """Everything of one kind, newest first."""
    return list(db.scalars(select(Made).where(Made.kind == kind).order_by(Made.at.desc())))


def find_made(db: Session, kind: str, made_id: str) -> Made | None:
    """One thing by its kind and id."""
    found = db.get(Made, made_id)
    return found if found is not None and found.kind == kind else None


def read_table(path: Path) -> tuple[list[str], list[list[str]]]:
    """Headings and rows of a table that a job wrote."""
    with path.open(encoding="utf-8", newline="") as stream:
        head, *rows = list(csv.reader(stream)) or [[]]
    return head, rows


def tracked_at(settings: WebSettings, run: Made) -> tuple[str, str]:
    """The id of a run in mlflow, and its page where the settings name the address of a server."""
    path = made_path(settings, run) / "mlflow.txt"
    run_id = path.read_text(encoding="utf-8").strip() if path.is_file() else ""
    is_page = settings.tracking.startswith(("http://", "https://")) and run_id.isalnum()
    return run_id, f"{settings.tracking.rstrip('/')}/#/runs/{run_id}" if is_page else ""


def made_path(settings: WebSettings, made: Made) -> Path:
    """Where it lies."""
    return settings.data / made.path


def new_place(settings: WebSettings, kind: str, job_id: str) -> Path:
    """An empty place for what a job makes; remains of an earlier start of the same job go."""
    path = settings.data / "made" / kind / job_id
    shutil.rmtree(path, ignore_errors=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def keep_made(
    work: Work, kind: str, path: Path, *, title: str, sources: dict[str, Any], facts: dict[str, Any]
) -> Made:
    """Enter what a job made; the job's id is its id, so that a job that starts again enters it once."""
    place = path.relative_to(work.settings.data).as_posix()
    made = Made(id=work.job_id, kind=kind, title=title, path=place, sources=sources, facts=facts, who=work.who)
    with work.sessions.begin() as db:
        return db.merge(made)
