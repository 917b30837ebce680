"""What a training run's page shows beside plain figures: classes, pictures, the tracking file, rules on views."""

from __future__ import annotations

import shlex
from typing import Any

from sqlalchemy.orm import Session

from passage_cv.web.research import find_made, made_path
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Made

PICTURES = ("reliability.svg", "curves.svg")
TABLE = "classes.csv"
FILES = (*PICTURES, TABLE)
"""What may be fetched of a run's folder; the model itself leaves only in a package."""


def classes_of(run: Made) -> dict[str, dict[str, int]]:
    """Individuals of each class and how many of them were named rightly, out of fold."""
    found: dict[str, dict[str, int]] = run.facts.get("metrics", {}).get("classes", {})
    return found


def files_of(settings: WebSettings, run: Made) -> tuple[str, ...]:
    """Which of :data:`FILES` are there; runs of earlier versions have none."""
    folder = made_path(settings, run)
    return tuple(name for name in FILES if (folder / name).is_file())


def tracking_command(settings: WebSettings, run: Made) -> str:
    """The command that opens the tracking file beside the models; empty where runs are tracked elsewhere."""
    path = made_path(settings, run).parent.resolve() / "mlflow.db"
    return shlex.join(["mlflow", "ui", "--backend-store-uri", f"sqlite:///{path}"]) if path.is_file() else ""


def holds_views(run: Made) -> bool:
    """Whether the model holds some views by a rule that was found good enough to use."""
    told: dict[str, dict[str, Any]] = run.facts.get("metrics", {}).get("views", {})
    return any(one.get("is_used") for one in told.values())


def run_behind(db: Session, cutoffs: Made) -> Made | None:
    """The run whose scores the cutoffs were set on."""
    scores = find_made(db, "scores", cutoffs.sources.get("scores", ""))
    return find_made(db, "run", scores.sources.get("run", "")) if scores else None
