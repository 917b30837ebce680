"""Would a fish of a kind never seen be held? Each class of a version left out in turn, by class and score.

Comes in: a version and the settings of a head on a frozen network. Goes out: per score of unfamiliarity, the share of
each left-out class that is held at 10 % hold load of known fish, and the AUROC; as values, and as the text of a CSV.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from passage_cv.dataset.available import available_rows
from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.policy import Policy
from passage_cv.progress import Progress, silent
from passage_cv.recognition.ablation import everybody
from passage_cv.recognition.features import Features, embed_rows, to_examples
from passage_cv.recognition.head_settings import DiscriminantGrid
from passage_cv.recognition.heads import Examples
from passage_cv.recognition.rows import Rows, RunClasses, choose_classes, label_rows
from passage_cv.recognition.selection import choose_head
from passage_cv.recognition.settings import TrainSettings
from passage_cv.recognition.unfamiliarity import ClassHeld, Found, leave_one_class_out, mean_of_draws, rank_scores

CSV_COLUMNS = ("score", "class", "individuals", "auroc", "held")


@dataclass(frozen=True, slots=True)
class UnknownHeld:
    """What one score did: means over classes (``auroc``, share ``held``), and the same of each left-out class."""

    score: str
    auroc: float
    held: float
    of_class: Mapping[str, ClassHeld]


@dataclass(frozen=True, slots=True)
class LeftOutClasses:
    """Every score, the best at holding first, and how many individuals each class had."""

    scores: tuple[UnknownHeld, ...]
    individuals: Mapping[str, int]


def leave_out_classes(
    version: Version,
    settings: TrainSettings,
    *,
    policy: Policy | None = None,
    every_role: bool = False,
    n_folds: int = 5,
    n_draws: int = 1,
    progress: Progress = silent,
) -> LeftOutClasses:
    """Leave out each class of a version in turn and ask every score of unfamiliarity to hold its fish.

    Parameters
    ----------
    version
        Its gate views in role ``train`` are used.
    settings
        Of a head on a frozen network.
    policy
        Whose classes are left out; by default every species with a gate view in ``train``.
    every_role
        Use ``cut`` and ``test`` too: for figures of a data set on which nothing will be demonstrated.
    n_folds
        Of the known individuals, which are scored out of fold.
    n_draws
        Of the folds, from the settings' seed on; figures are means over them.
    progress
        Told of pictures and classes done.

    Raises
    ------
    InputError
        If fewer than three classes are there, no head of the settings is a discriminant, or a picture is unusable.
    """
    rows, classes = everybody(version) if every_role else learnt_from(version, policy)
    features = embed_rows(rows, version.store, settings, progress=progress)
    examples = to_examples(rows, classes, features.plain)
    return leave_out_each(examples, features, classes, settings, n_folds=n_folds, n_draws=n_draws, progress=progress)


def leave_out_each(
    examples: Examples,
    features: Features,
    classes: RunClasses,
    settings: TrainSettings,
    *,
    n_folds: int,
    n_draws: int = 1,
    progress: Progress = silent,
) -> LeftOutClasses:
    """As :func:`leave_out_classes`, from features at hand; the head is the best discriminant of the settings."""
    grids = [grid for grid in settings.heads if isinstance(grid, DiscriminantGrid)]
    met = int((examples.per_class > 0).sum())
    if met < 3 or not grids:
        raise InputError(
            f"There are {met} classes and {len(grids)} discriminant heads to leave a class out of",
            where="the version and the settings",
            do="Give a version of three classes or more, and settings with a discriminant head, for example quick.",
        )
    unit, seed = examples.individual, settings.seed
    best = choose_head(examples, unit, grids, n_folds=n_folds, seed=seed, extra=features.extra).best
    assert isinstance(best.settings, DiscriminantGrid)
    found = mean_of_draws(
        [
            leave_one_class_out(
                examples, unit, best.settings, scale=best.scale, n_folds=n_folds, seed=seed + draw, progress=progress
            )
            for draw in range(n_draws)
        ]
    )
    return name_classes(found, examples, classes)


def name_classes(found: Found, examples: Examples, classes: RunClasses) -> LeftOutClasses:
    """What was found of classes by number, with their codes and how many individuals each has."""
    scores = tuple(
        UnknownHeld(name, auroc, held, {classes.classes[one]: result for one, result in found[name].items()})
        for name, auroc, held in rank_scores(found)
    )
    return LeftOutClasses(scores, dict(zip(classes.classes, examples.per_class.tolist(), strict=True)))


def csv_of(found: LeftOutClasses) -> str:
    """A line per score and class; the mean over classes has no class and no number of individuals."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for one in found.scores:
        writer.writerow((one.score, "", "", f"{one.auroc:.4f}", f"{one.held:.4f}"))
        writer.writerows(_lines_of(one, found))
    return stream.getvalue()


def _lines_of(one: UnknownHeld, found: LeftOutClasses) -> Sequence[tuple[object, ...]]:
    return [
        (one.score, code, found.individuals[code], f"{result.auroc:.4f}", f"{result.held:.4f}")
        for code, result in one.of_class.items()
    ]


def learnt_from(version: Version, policy: Policy | None) -> tuple[Rows, RunClasses]:
    """Gate views in role ``train`` of a class, and the classes."""
    table = available_rows(version)
    classes = choose_classes(table, policy, where=f"version {version.name}")
    rows = label_rows(table, classes, "train")
    return rows.where(np.isin(rows.label, classes.classes)), classes
