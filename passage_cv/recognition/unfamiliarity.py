"""Which way of asking how unlike everything learnt a fish looks finds fish of a kind never seen.

A high value holds the fish: that limits the load on people, not the risk. :data:`DEFAULT` held most over photographs
and drawn fish together (README); the model says it of each view, as an output of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp, softmax

from passage_cv.progress import Progress, silent, tracked
from passage_cv.recognition.familiarity import (
    Familiar,
    Joined,
    fit_familiar,
    shrinkage_of,
    squared_distance,
    to_length_1,
)
from passage_cv.recognition.head_settings import DiscriminantGrid
from passage_cv.recognition.heads import Examples, Floats, Head, Ints, fit_heads, mean_of_images
from passage_cv.recognition.selection import folds_of_images
from passage_cv.stats.energy import centred_energy

HOLD_LOAD = 0.1
"""Share of known individuals that the comparison lets each score hold."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """What a score may use: the head, what is familiar, and where the training images lie within it."""

    head: Head
    familiar: Familiar
    places: Floats


@dataclass(frozen=True, slots=True)
class ClassHeld:
    """How one score did on a left-out class: ``auroc`` against known fish, share ``held`` at the hold load."""

    auroc: float
    held: float


Found = dict[str, dict[int, ClassHeld]]
"""Name of a score to left-out class to what it did."""


def leave_one_class_out(
    examples: Examples,
    unit: Ints,
    point: DiscriminantGrid,
    *,
    scale: float = 1.0,
    n_folds: int,
    seed: int,
    progress: Progress = silent,
) -> Found:
    """Leave out each class in turn and ask every score to tell its individuals from known ones.

    Known individuals are scored out of fold, left-out ones by one of the same heads each; a score's cutoff is set so
    that :data:`HOLD_LOAD` of the known ones are held. :data:`DEFAULT` joins two of them as they lie over the known.

    Parameters
    ----------
    examples, unit
        See :func:`~passage_cv.recognition.selection.choose_head`; three classes or more.
    point, scale
        A grid of one head, and what its logits are multiplied by.
    n_folds, seed
        Of the folds of known individuals.
    progress
        Told of each class.

    Returns
    -------
    Found
        Of every score and class.
    """
    found: dict[str, dict[int, ClassHeld]] = {name: {} for name in NAMES}
    classes = np.flatnonzero(examples.per_class > 0)
    for left_out in tracked(classes.tolist(), "Leaving out each class", progress):
        known, strange = _scores_without(
            examples, unit, left_out, partial(_learn, point=point, scale=scale), n_folds, seed
        )
        for name, of_class in found.items():
            of_class[left_out] = judge_score(known[name], strange[name])
    return found


def mean_of_draws(draws: Sequence[Found]) -> Found:
    """Means over several draws of the folds, each as :func:`leave_one_class_out` gives it."""
    return {
        name: {
            left_out: ClassHeld(
                auroc=float(np.mean([draw[name][left_out].auroc for draw in draws])),
                held=float(np.mean([draw[name][left_out].held for draw in draws])),
            )
            for left_out in of_class
        }
        for name, of_class in draws[0].items()
    }


def rank_scores(found: Mapping[str, Mapping[int, ClassHeld]]) -> list[tuple[str, float, float]]:
    """(name, mean AUROC, mean share held) over classes, the best at holding first."""
    rows = [
        (
            name,
            float(np.mean([one.auroc for one in classes.values()])),
            float(np.mean([one.held for one in classes.values()])),
        )
        for name, classes in found.items()
    ]
    return sorted(rows, key=lambda row: -row[2])


def _by_centred_energy(learnt: Learnt, features: Floats) -> Floats:
    return centred_energy(learnt.head.logits(features)[:, learnt.head.present])


def _by_energy(learnt: Learnt, features: Floats) -> Floats:
    """The plain energy of Liu et al. 2020: minus the logarithm of the summed exponentials."""
    return np.asarray(-logsumexp(learnt.head.logits(features)[:, learnt.head.present], axis=1))


def _by_probability(learnt: Learnt, features: Floats) -> Floats:
    return np.asarray(1.0 - softmax(learnt.head.logits(features)[:, learnt.head.present], axis=1).max(axis=1))


def _by_nearest_mean(learnt: Learnt, features: Floats) -> Floats:
    known = learnt.familiar
    return np.asarray(squared_distance(known.within.place(features), known.means).min(axis=1))


def _by_direction(learnt: Learnt, features: Floats) -> Floats:
    return learnt.familiar.direction(features)


def _by_relative_distance(learnt: Learnt, features: Floats) -> Floats:
    return learnt.familiar.relative_distance(features)


def _by_nearest_individual(learnt: Learnt, features: Floats) -> Floats:
    """Cosine to the nearest training image, in the same axes."""
    asked = to_length_1(learnt.familiar.within.place(features))
    return np.asarray(-(asked @ to_length_1(learnt.places).T).max(axis=1))


Learn = Callable[[Examples], Learnt]

DIRECTION = "direction of the nearest class mean"
RELATIVE = "relative distance to the nearest class mean"
SCORES: Mapping[str, Callable[[Learnt, Floats], Floats]] = {
    DIRECTION: _by_direction,
    RELATIVE: _by_relative_distance,
    "centred energy": _by_centred_energy,
    "energy": _by_energy,
    "largest probability": _by_probability,
    "nearest class mean": _by_nearest_mean,
    "nearest individual": _by_nearest_individual,
}
OF_LOGITS = ("centred energy", "energy", "largest probability")
"""Those that need nothing beside the logits."""
DEFAULT = "direction and relative distance"
"""The first two joined as :class:`~passage_cv.recognition.familiarity.Joined` does: what a model says of a view."""
NAMES = (DEFAULT, *SCORES)
"""Every score that is compared."""


def _scores_without(
    examples: Examples, unit: Ints, left_out: int, learn: Learn, n_folds: int, seed: int
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Scores of known individuals (out of fold) and of the left-out class's, by name of the score."""
    is_known = examples.label != left_out
    known, strange = examples.where(is_known), examples.where(~is_known)
    fold = folds_of_images(known, unit[is_known], n_folds=n_folds, seed=seed)
    dealt = strange.individual % n_folds  # by one head each, as known individuals are
    of_known = {name: np.zeros(len(fold)) for name in SCORES}
    of_strange = {name: np.zeros(len(strange.label)) for name in SCORES}
    for one in range(n_folds):
        apart, own = fold == one, dealt == one
        learnt = learn(known.where(~apart))
        for name, values in ask_scores(learnt, known.features[apart]).items():
            of_known[name][apart] = values
        for name, values in ask_scores(learnt, strange.features[own]).items():
            of_strange[name][own] = values
    return _with_default(per_individual(of_known, known.individual), per_individual(of_strange, strange.individual))


def ask_scores(learnt: Learnt, features: npt.NDArray[np.floating]) -> dict[str, Floats]:
    """What every score but the joined one says of each image, shape (n_images,)."""
    return {name: score(learnt, features.astype(np.float64)) for name, score in SCORES.items()}


def _with_default(
    known: dict[str, Floats], strange: dict[str, Floats]
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """The same scores of individuals with :data:`DEFAULT`, joined as it lies over the known ones."""
    of_known, of_strange = (np.stack([part[DIRECTION], part[RELATIVE]], axis=1) for part in (known, strange))
    joined = Joined.of_known(of_known)
    return {**known, DEFAULT: joined.join(of_known)}, {**strange, DEFAULT: joined.join(of_strange)}


def _learn(examples: Examples, *, point: DiscriminantGrid, scale: float) -> Learnt:
    familiar = fit_familiar(examples, shrinkage_of(point))
    return Learnt(fit_heads(examples, point)[0].scaled(scale), familiar, familiar.within.place(examples.features))


def per_individual(of_images: Mapping[str, Floats], individual: Ints) -> dict[str, Floats]:
    """Each score's mean over the images of an individual; ``individual`` has no gaps."""
    return {name: mean_of_images(values[:, None], individual)[:, 0] for name, values in of_images.items()}


def judge_score(known: Floats, strange: Floats) -> ClassHeld:
    """AUROC of strange individuals against known ones, and the share held where :data:`HOLD_LOAD` of these are."""
    cutoff = np.sort(known)[-int(HOLD_LOAD * len(known)) - 1]
    above = (strange[:, None] > known[None]).mean() + 0.5 * (strange[:, None] == known[None]).mean()
    return ClassHeld(float(above), float((strange > cutoff).mean()))
