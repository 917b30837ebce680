"""How unlike everything learnt a fish looks, and which way of asking finds fish of a kind never seen.

A high value holds the fish: that limits the load on people, not the risk. The default, in scores files and at the
gate, is the centred energy of the logits, which needs nothing beside them; :func:`leave_one_class_out` compares it
with others, of which the direction of the nearest class mean, which needs the embedding, can hold more (README).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.special import logsumexp, softmax

from passage_cv.progress import Progress, silent, tracked
from passage_cv.recognition.heads import (
    DiscriminantGrid,
    Examples,
    Floats,
    Head,
    Ints,
    Space,
    fit_heads,
    mean_of_images,
    standardise,
    turn,
)
from passage_cv.recognition.selection import folds_of_images
from passage_cv.stats.energy import centred_energy

HOLD_LOAD = 0.1
"""Share of known individuals that the comparison lets each score hold."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """What a score may use: the head, and the training images in axes where the covariance S is the identity."""

    head: Head
    space: Space
    inverse: Floats
    whitened: Floats

    def place(self, standard: Floats) -> Floats:
        """Standardised features in the whitened axes, shape (n, n_features)."""
        return np.asarray(((standard - self.space.middle) @ self.space.axes) * np.sqrt(self.inverse))


@dataclass(frozen=True, slots=True)
class ClassHeld:
    """How one score did on a left-out class: ``auroc`` against known fish, share ``held`` at the hold load."""

    auroc: float
    held: float


def leave_one_class_out(
    examples: Examples,
    unit: Ints,
    point: DiscriminantGrid,
    *,
    scale: float = 1.0,
    n_folds: int,
    seed: int,
    progress: Progress = silent,
) -> dict[str, dict[int, ClassHeld]]:
    """Leave out each class in turn and ask every score to tell its individuals from known ones.

    Known individuals are scored out of fold, left-out ones by one of the same heads each; a score's cutoff is set so
    that :data:`HOLD_LOAD` of the known ones are held.

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
    dict
        Name of the score to class to what it did.
    """
    found: dict[str, dict[int, ClassHeld]] = {name: {} for name in SCORES}
    classes = np.flatnonzero(examples.per_class > 0)
    for left_out in tracked(classes.tolist(), "Leaving out each class", progress):
        known, strange = _scores_without(
            examples, unit, left_out, partial(_learn, point=point, scale=scale), n_folds, seed
        )
        for name in SCORES:
            found[name][left_out] = _judge(known[name], strange[name])
    return found


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


def _by_centred_energy(learnt: Learnt, standard: Floats) -> Floats:
    return centred_energy(learnt.head.logits(standard)[:, learnt.head.present])


def _by_energy(learnt: Learnt, standard: Floats) -> Floats:
    """The plain energy of Liu et al. 2020: minus the logarithm of the summed exponentials."""
    return np.asarray(-logsumexp(learnt.head.logits(standard)[:, learnt.head.present], axis=1))


def _by_probability(learnt: Learnt, standard: Floats) -> Floats:
    return np.asarray(1.0 - softmax(learnt.head.logits(standard)[:, learnt.head.present], axis=1).max(axis=1))


def _by_nearest_mean(learnt: Learnt, standard: Floats) -> Floats:
    means = learnt.space.centres[learnt.head.present] * np.sqrt(learnt.inverse)
    return np.asarray(_squared_distance(learnt.place(standard), means).min(axis=1))


def _by_direction(learnt: Learnt, standard: Floats) -> Floats:
    """Cosine to the nearest class mean, in whitened axes."""
    means = learnt.space.centres[learnt.head.present] * np.sqrt(learnt.inverse)
    return np.asarray(-(_unit(learnt.place(standard)) @ _unit(means).T).max(axis=1))


def _by_nearest_individual(learnt: Learnt, standard: Floats) -> Floats:
    """Cosine to the nearest training image, in whitened axes."""
    return np.asarray(-(_unit(learnt.place(standard)) @ _unit(learnt.whitened).T).max(axis=1))


Learn = Callable[[Examples], tuple[Learnt, Floats, Floats]]

SCORES: Mapping[str, Callable[[Learnt, Floats], Floats]] = {
    "centred energy": _by_centred_energy,
    "energy": _by_energy,
    "largest probability": _by_probability,
    "nearest class mean": _by_nearest_mean,
    "direction of the nearest class mean": _by_direction,
    "nearest individual": _by_nearest_individual,
}


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
        apart = fold == one
        learnt, centre, spread = learn(known.where(~apart))
        for name, score in SCORES.items():
            of_known[name][apart] = score(learnt, (known.features[apart] - centre) / spread)
            of_strange[name][dealt == one] = score(learnt, (strange.features[dealt == one] - centre) / spread)
    return (
        {name: _per_individual(values, known) for name, values in of_known.items()},
        {name: _per_individual(values, strange) for name, values in of_strange.items()},
    )


def _learn(examples: Examples, *, point: DiscriminantGrid, scale: float) -> tuple[Learnt, Floats, Floats]:
    standard, centre, spread = standardise(examples)
    space = turn(standard)
    shrinkage = point.shrinkages[0]
    inverse = 1.0 / ((1 - shrinkage) * space.variance + shrinkage * space.variance.mean())
    whitened = ((standard.features - space.middle) @ space.axes) * np.sqrt(inverse)
    head = fit_heads(standard, point)[0].scaled(scale)
    return Learnt(head, space, inverse, whitened), centre, spread


def _per_individual(values: Floats, examples: Examples) -> Floats:
    return mean_of_images(values[:, None], examples.individual)[:, 0]


def _judge(known: Floats, strange: Floats) -> ClassHeld:
    cutoff = np.sort(known)[-int(HOLD_LOAD * len(known)) - 1]
    above = (strange[:, None] > known[None]).mean() + 0.5 * (strange[:, None] == known[None]).mean()
    return ClassHeld(float(above), float((strange > cutoff).mean()))


def _squared_distance(a: Floats, b: Floats) -> Floats:
    return np.asarray((a**2).sum(axis=1)[:, None] - 2 * a @ b.T + (b**2).sum(axis=1))


def _unit(rows: Floats) -> Floats:
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))
