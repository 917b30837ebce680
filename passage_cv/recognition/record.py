"""What is written down of a run: settings, figures and curves for tracking; pictures and a class table to look at.

Comes in: what training found. Goes out: a :class:`~passage_cv.recognition.tracking.Record`, and files for the run's
folder; mlflow is not known here.
"""

from __future__ import annotations

import subprocess
import warnings
from collections.abc import Callable, Iterator, Mapping
from importlib.metadata import version as installed_version
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import softmax

from passage_cv.config import Settings
from passage_cv.errors import PassageWarning
from passage_cv.recognition.figures import draw_curves, draw_reliability
from passage_cv.recognition.fitted import Fitted
from passage_cv.recognition.heads import mean_of_images
from passage_cv.recognition.rows import Rows, RunClasses
from passage_cv.recognition.tracking import Curve, Record

CURVES = {"judged": ("epoch", ("loss", "cost")), "tried": ("", ("loss",))}
"""Lists of ``metrics.json`` that are curves: where their step stands, and which values are drawn."""


def describe_run(settings: Settings, metrics: Mapping[str, Any]) -> Record:
    """Everything about a run that a person would look for in its tracking record."""
    per_class: Mapping[str, Mapping[str, int]] = metrics["classes"]
    shares = {f"right_of/{name}": one["right"] / max(1, one["individuals"]) for name, one in per_class.items()}
    numbers = {name: float(value) for name, value in metrics.items() if isinstance(value, int | float)}
    return Record(
        settings=dict(_flat(settings.model_dump(mode="json"))),
        metrics={**numbers, **shares},
        tags={
            **{name: value for name, value in metrics.items() if isinstance(value, str)},
            "commit": program_commit(),
            "program": f"passage-cv {installed_version('passage-cv')}",
        },
        curves=dict(_curves(metrics)),
    )


def draw_run(classes: RunClasses, fitted: Fitted, metrics: Mapping[str, Any], rows: Rows) -> dict[str, bytes]:
    """Class table and pictures of a run by file name; one that cannot be drawn is left out with a warning."""
    curves = dict(_curves(metrics))
    ways: dict[str, Callable[[], bytes]] = {
        "classes.csv": lambda: _class_table(metrics["classes"]),
        "reliability.svg": lambda: _reliability(classes, fitted, rows),
    }
    if curves:
        ways["curves.svg"] = lambda: draw_curves(curves)
    drawn = {}
    for name, draw in ways.items():
        try:
            drawn[name] = draw()
        except Exception as error:  # whatever a drawing library raises, a model that took hours is kept
            warnings.warn(f"{name} was not drawn: {error}", PassageWarning, stacklevel=2)
    return drawn


def program_commit() -> str:
    """The commit of a checkout, with ``+`` where it was changed since; "none" where the program was installed."""
    here = Path(__file__).parent
    call = ["git", "-C", str(here), "describe", "--always", "--abbrev=40", "--dirty=+", "--exclude=*"]
    try:
        done = subprocess.run(call, capture_output=True, text=True, check=False, timeout=20)  # noqa: S603
    except (OSError, subprocess.TimeoutExpired):
        return "none"
    return done.stdout.strip() or "none"


def _flat(values: object, path: str = "") -> Iterator[tuple[str, str]]:
    """Nested settings as names with dots; lists of plain values stay one value."""
    if isinstance(values, Mapping):
        for key, value in values.items():
            yield from _flat(value, f"{path}.{key}" if path else str(key))
    elif isinstance(values, list) and any(isinstance(one, Mapping) for one in values):
        for place, value in enumerate(values):
            yield from _flat(value, f"{path}.{place}")
    else:
        yield path, str(values)


def _curves(metrics: Mapping[str, Any]) -> Iterator[tuple[str, Curve]]:
    for key, (step, names) in CURVES.items():
        rows = metrics.get(key, [])
        for name in names:
            curve = [
                (int(row[step]) if step else place, float(row[name]))
                for place, row in enumerate(rows)
                if row.get(name) is not None
            ]
            if curve:
                yield f"{key}_{name}", curve


def _reliability(classes: RunClasses, fitted: Fitted, rows: Rows) -> bytes:
    """Largest probability of each individual, out of fold, against whether it was right."""
    individual = rows.numbered("individual")
    place = {name: i for i, name in enumerate(classes.classes)}
    label = np.zeros(individual.max() + 1, dtype=np.intp)
    label[individual] = [place[name] for name in rows.label]
    mean = mean_of_images(fitted.logits, individual)
    seen = np.isfinite(mean).all(axis=1)
    probs = softmax(mean[seen], axis=1)
    return draw_reliability(probs.max(axis=1), probs.argmax(axis=1) == label[seen])


def _class_table(per_class: Mapping[str, Mapping[str, int]]) -> bytes:
    lines = ["class,individuals,right"]
    lines += [f"{name},{one['individuals']},{one['right']}" for name, one in per_class.items()]
    return ("\r\n".join(lines) + "\r\n").encode()
