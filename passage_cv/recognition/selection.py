"""Which head is best, asked only of fish that the head has not seen: grouped out-of-fold prediction.

Comes in: examples and the unit that must not be split (trip or individual). Goes out: the chosen head, refitted on
all, and the out-of-fold logits of every image, scaled so that they are natural log-odds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar
from scipy.special import logsumexp

from passage_cv.errors import InputError
from passage_cv.recognition.head_settings import Grid, grids_to_try
from passage_cv.recognition.heads import Examples, Floats, Head, Ints, fit_heads, mean_of_images

_LARGEST_LOG_SCALE = 6.0
"""Logits are scaled by at most e^6 either way; beyond, every fish is ranked right and the best scale is infinite."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One head that was tried, and what out-of-fold prediction says of it.

    ``loss`` is the class-balanced log loss per individual, in nats, at the best ``scale`` of the logits.
    """

    settings: Grid
    loss: float
    scale: float


@dataclass(frozen=True, slots=True)
class Chosen:
    """The head fitted on all examples, the out-of-fold logits (n_images, n_classes), and what was compared.

    ``seen`` is false for an image whose class had no individual outside its fold: its logits are NaN.
    """

    head: Head
    logits: Floats
    seen: npt.NDArray[np.bool_]
    best: Candidate
    tried: tuple[Candidate, ...]


def assign_folds(unit: Ints, label: Ints, *, n_folds: int, seed: int) -> Ints:
    """A fold for each image such that no unit is split and each class is spread as evenly as units allow.

    Parameters
    ----------
    unit, label
        Of each image; numbers from 0. Give one image per individual to balance individuals.
    n_folds
        At least 2.
    seed
        Of the order in which units of one size are dealt.

    Raises
    ------
    InputError
        If there are fewer units than folds.

    Examples
    --------
    >>> fold = assign_folds(np.array([0, 0, 1, 2, 3]), np.array([0, 0, 0, 1, 1]), n_folds=2, seed=1)
    >>> bool(fold[0] == fold[1]), bool(fold[3] != fold[4])
    (True, True)
    """
    n_units = int(unit.max()) + 1 if len(unit) else 0
    if n_units < n_folds:
        raise InputError(
            f"{n_units} units cannot be dealt to {n_folds} folds",
            where="role train",
            do="Accept more trips or individuals, or ask for fewer folds.",
        )
    table = np.zeros((n_units, int(label.max()) + 1))
    np.add.at(table, (unit, label), 1.0)
    share = table / table.sum(axis=0).clip(min=1)
    order = np.random.default_rng(seed).permutation(n_units)
    order = order[np.argsort(-share.sum(axis=1)[order], kind="stable")]
    held, fold = np.zeros((n_folds, table.shape[1])), np.zeros(n_units, dtype=np.intp)
    for one in order:
        cost = np.stack([held @ share[one], held.sum(axis=1)], axis=1).round(12)
        fold[one] = np.lexsort((cost[:, 1], cost[:, 0]))[0]
        held[fold[one]] += share[one]
    return fold[unit]


def folds_of_images(examples: Examples, unit: Ints, *, n_folds: int, seed: int) -> Ints:
    """The fold of each image, with individuals (not images) spread evenly; see :func:`assign_folds`."""
    _, first, place = np.unique(examples.individual, return_index=True, return_inverse=True)
    _, units = np.unique(unit, return_inverse=True)
    pairs = np.unique(np.stack([units, place]), axis=1)
    fold = assign_folds(pairs[0], examples.label[first][pairs[1]], n_folds=n_folds, seed=seed)
    of_unit = np.zeros(int(units.max()) + 1, dtype=np.intp)
    of_unit[pairs[0]] = fold
    return of_unit[units]


def choose_head(
    examples: Examples,
    unit: Ints,
    grids: Sequence[Grid],
    *,
    n_folds: int,
    seed: int,
    extra: Sequence[npt.NDArray[np.floating]] = (),
) -> Chosen:
    """Choose kind and strength of least out-of-fold loss, and fit that head on all examples.

    Parameters
    ----------
    examples
        Images to learn from.
    unit
        Of each image: what must not be on both sides of a fold.
    grids
        What to choose from.
    n_folds, seed
        See :func:`assign_folds`.
    extra
        Features of the same images seen otherwise (mirrored); learnt from, never predicted.

    Raises
    ------
    InputError
        If fewer than two classes have an individual, there are fewer units than folds, or no head is meant for so few
        individuals.
    """
    if int((examples.per_class > 0).sum()) < 2:
        raise InputError(
            f"{int((examples.per_class > 0).sum())} class has a gate view in train, at least 2 are needed",
            where="role train",
            do="Accept batches with another class.",
        )
    fold = folds_of_images(examples, unit, n_folds=n_folds, seed=seed)
    seen = seen_elsewhere(examples, fold)
    grids = grids_to_try(grids, len(examples.label_of_individual))
    if not grids:
        raise InputError(
            f"{len(examples.label_of_individual)} individuals are too few for every head of the settings",
            where="from_individuals of heads",
            do="Add a head without from_individuals, such as a discriminant.",
        )
    points = [point for grid in grids for point in grid.points()]
    logits = _out_of_fold(examples, fold, grids, extra)
    tried = [_judge(point, part, examples, seen) for point, part in zip(points, logits, strict=True)]
    place = int(np.argmin([candidate.loss for candidate in tried]))
    best = tried[place]
    head = fit_heads(with_extra(examples, extra), best.settings)[0].scaled(best.scale)
    out = logits[place] * best.scale
    out[~seen] = np.nan
    return Chosen(head, out, seen, best, tuple(tried))


def fit_fold_heads(
    examples: Examples,
    fold: Ints,
    point: Grid,
    *,
    scale: float,
    extra: Sequence[npt.NDArray[np.floating]] = (),
) -> list[Head]:
    """One head per fold, fitted without it: those behind the out-of-fold logits of :func:`choose_head`.

    Parameters
    ----------
    examples, extra
        As :func:`choose_head`.
    fold
        Of each image, from 0.
    point, scale
        The chosen head's settings and the factor of its logits.
    """
    heads = []
    for one in range(int(fold.max()) + 1):
        apart = fold == one
        learn = with_extra(examples.where(~apart), [part[~apart] for part in extra])
        heads.append(fit_heads(learn, point)[0].scaled(scale))
    return heads


def balanced_log_loss(logits: Floats, label: Ints, scale: float = 1.0) -> float:
    """Mean over classes of the mean negative log probability of the true class, in nats.

    Examples
    --------
    >>> round(balanced_log_loss(np.zeros((3, 2)), np.array([0, 0, 1])), 6)  # ln 2
    0.693147
    """
    log_prob = scale * logits - logsumexp(scale * logits, axis=1, keepdims=True)
    true = -log_prob[np.arange(len(label)), label]
    return float(np.mean([true[label == one].mean() for one in np.unique(label)]))


def seen_elsewhere(examples: Examples, fold: Ints) -> npt.NDArray[np.bool_]:
    """Whether each image's class has an individual in another fold."""
    seen = np.zeros(len(fold), dtype=np.bool_)
    for one in np.unique(fold):
        seen[fold == one] = np.isin(examples.label[fold == one], examples.label[fold != one])
    return seen


def with_extra(examples: Examples, extra: Sequence[npt.NDArray[np.floating]]) -> Examples:
    """The examples and the same images seen otherwise, to learn from."""
    times = 1 + len(extra)
    return Examples(
        np.concatenate([examples.features, *extra]),
        np.tile(examples.label, times),
        np.tile(examples.individual, times),
        examples.n_classes,
    )


def _out_of_fold(
    examples: Examples, fold: Ints, grids: Sequence[Grid], extra: Sequence[npt.NDArray[np.floating]]
) -> list[Floats]:
    """Logits of every image by heads that saw no image of its fold, one array per candidate."""
    n = sum(len(grid.points()) for grid in grids)
    out = [np.zeros((len(fold), examples.n_classes)) for _ in range(n)]
    for one in np.unique(fold):
        apart = fold == one
        learn = with_extra(examples.where(~apart), [part[~apart] for part in extra])
        heads = [head for grid in grids for head in fit_heads(learn, grid)]
        for logits, head in zip(out, heads, strict=True):
            logits[apart] = head.logits(examples.features[apart])
    return out


def _judge(point: Grid, logits: Floats, examples: Examples, seen: npt.NDArray[np.bool_]) -> Candidate:
    part = examples.where(seen)
    per_fish = mean_of_images(logits[seen], part.individual)
    label = part.label_of_individual
    found = minimize_scalar(
        lambda log_scale: balanced_log_loss(per_fish, label, float(np.exp(log_scale))),
        bounds=(-_LARGEST_LOG_SCALE, _LARGEST_LOG_SCALE),
        method="bounded",
    )
    return Candidate(point, float(found.fun), float(np.exp(found.x)))
