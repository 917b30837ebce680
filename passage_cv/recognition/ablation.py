"""What each step of fine-tuning buys: the same folds, with the steps added one by one, and with each left out.

Comes in: settings of a whole recipe. Goes out: the settings of its poorer relatives, and grouped out-of-fold figures
of each. For reports only; nothing is chosen here by itself.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import as_completed
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from passage_cv.config import parse_settings
from passage_cv.dataset.available import available_rows
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version, open_version
from passage_cv.parallel import process_pool, worker_count
from passage_cv.recognition.crossval import individual_figures
from passage_cv.recognition.heads import Examples, Floats
from passage_cv.recognition.rows import Rows, RunClasses, choose_classes, label_rows
from passage_cv.recognition.tuned import as_examples, cross_validate_tuned
from passage_cv.recognition.tuned_settings import TunedSettings

COMMON = 10
"""Classes of at least so many individuals make the second balanced figure; below, one fish is 10 points [ours]."""

Changes = Mapping[str, Mapping[str, Any]]

_STILL: dict[str, Any] = {"mirrored": False, "geometry": 0.0}
_PHOTOMETRY = ("colour", "exposure", "turbid_water", "glare", "drops", "fouled_lens", "motion_blur", "far_focus")
_CLEAR: dict[str, Any] = dict.fromkeys((*_PHOTOMETRY, "noise", "infrared"), 0.0)
_PLAIN: dict[str, Any] = {"balance": "none", "averaging": 0.0, "smoothing": 0.0}

VARIANTS: dict[str, Changes] = {
    "plain": {"schedule": _PLAIN, "augment": {**_STILL, **_CLEAR}},
    "+ balanced logits": {"schedule": {**_PLAIN, "balance": "logits"}, "augment": {**_STILL, **_CLEAR}},
    "+ averaged weights": {"schedule": {"smoothing": 0.0}, "augment": {**_STILL, **_CLEAR}},
    "+ smoothing": {"augment": {**_STILL, **_CLEAR}},
    "+ mirror": {"augment": {"geometry": 0.0, **_CLEAR}},
    "+ geometry": {"augment": _CLEAR},
    "whole": {},
    "whole, none balanced": {"schedule": {"balance": "none"}},
    "whole, weighted sampling": {"schedule": {"balance": "sampling"}},
    "whole, last weights": {"schedule": {"averaging": 0.0}},
    "whole, not mirrored": {"augment": {"mirrored": False}},
    "whole, no geometry": {"augment": {"geometry": 0.0}},
    "whole, random first weights": {"network": {"weights": "random", "weights_sha256": ""}},
}
"""The steps in the order in which they are added, the whole recipe, and the whole with one step left out."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One variant on one draw of folds."""

    variant: str
    seed: int


def changed(settings: TunedSettings, changes: Changes) -> TunedSettings:
    """The same settings with some values of some tables replaced, checked again."""
    values = settings.model_dump(mode="json")
    for table, new in changes.items():
        values[table] = {**values[table], **new}
    return parse_settings(values, TunedSettings, where="a variant of the settings")


def everybody(version: Version) -> tuple[Rows, RunClasses]:
    """All gate views of a version whatever their role, for figures by folds; no cutoff is ever set on these."""
    table = available_rows(version)
    table = table.set_column(table.column_names.index("role"), "role", [["train"] * len(table)])
    classes = choose_classes(table, None)
    return label_rows(table, classes, "train"), classes


def run_trials(
    store: str, settings: TunedSettings, trials: Sequence[Trial], *, folds: int, jobs: int = 1
) -> Iterator[dict[str, Any]]:
    """Figures of each trial as it ends, several at once; each gets an equal part of the cores.

    Parameters
    ----------
    store
        Its newest version is used.
    settings
        The whole recipe.
    trials
        See :data:`VARIANTS`.
    folds
        Grouped by individual.
    jobs
        Trials that run at once.
    """
    workers = max(1, worker_count() // jobs) if jobs > 1 else None
    run = partial(_run_trial, store, settings, folds, workers)
    with process_pool(jobs) as pool:
        for ended in as_completed([pool.submit(run, trial) for trial in trials]):
            yield ended.result()


def _run_trial(store: str, settings: TunedSettings, folds: int, workers: int | None, trial: Trial) -> dict[str, Any]:
    opened = Store.open(store)
    rows, classes = everybody(open_version(opened))
    examples = as_examples(rows, classes)
    began = time.monotonic()
    logits = cross_validate_tuned(
        rows,
        classes,
        examples.individual,
        opened,
        changed(settings, VARIANTS[trial.variant]),
        n_folds=folds,
        seed=trial.seed,
        workers=workers,
    )
    figures = individual_figures(logits, examples)
    common = individual_figures(logits, examples, among=examples.per_class >= COMMON)
    return {
        "variant": trial.variant,
        "seed": trial.seed,
        "balanced_accuracy_individual": figures.balanced_accuracy,
        "balanced_accuracy_individual_common": common.balanced_accuracy,
        "accuracy_individual": figures.accuracy,
        "recalls": _recalls(logits, examples, classes),
        "seconds": round(time.monotonic() - began, 1),
    }


def _recalls(logits: Floats, examples: Examples, classes: RunClasses) -> dict[str, float]:
    """Share of each class's individuals that were named rightly."""
    rows = np.eye(len(classes.classes), dtype=np.bool_)
    return {
        name: individual_figures(logits, examples, among=row).balanced_accuracy
        for name, row in zip(classes.classes, rows, strict=True)
    }


def summarise(found: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Mean and standard error over seeds of each variant, in the order met, over all classes and the common ones."""
    out = []
    for variant in dict.fromkeys(one["variant"] for one in found):
        trials = [one for one in found if one["variant"] == variant]
        mean, error = _mean_and_error([one["balanced_accuracy_individual"] for one in trials])
        common, common_error = _mean_and_error([one["balanced_accuracy_individual_common"] for one in trials])
        row = {"variant": variant, "seeds": len(trials), "mean": mean, "standard_error": error}
        out.append({**row, "common": common, "common_standard_error": common_error})
    return out


def _mean_and_error(values: Sequence[float]) -> tuple[float, float | None]:
    """The mean, and its standard error where there are two values or more."""
    error = float(np.std(values, ddof=1) / np.sqrt(len(values))) if len(values) > 1 else None
    return float(np.mean(values)), error
