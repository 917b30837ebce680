"""What a recipe would score on fish it has not seen: every individual predicted once, choices made inside its folds.

Comes in: examples and what must stay together. Goes out: logits or probabilities per image, and figures per
individual. For reports and comparisons only: cutoffs are never set on these numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from passage_cv.progress import Progress, silent, tracked
from passage_cv.recognition.head_settings import Grid
from passage_cv.recognition.heads import Examples, Floats, Ints, mean_of_images
from passage_cv.recognition.selection import choose_head, folds_of_images

PLAIN_C = 0.01
"""Penalty of the plain script, near the best for it on reef photographs."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Shares of individuals named rightly: of all, and as the mean over classes."""

    accuracy: float
    balanced_accuracy: float


def cross_validate(
    examples: Examples,
    unit: Ints,
    grids: Sequence[Grid],
    *,
    n_folds: int,
    seed: int,
    extra: Sequence[npt.NDArray[np.floating]] = (),
    progress: Progress = silent,
) -> Floats:
    """Logits of every image, shape (n_images, n_classes), by a head chosen and fitted without its fold.

    Nested: kind and strength of the head are chosen anew by out-of-fold prediction inside each fold's training part.

    Parameters
    ----------
    examples, unit, grids, extra
        See :func:`~passage_cv.recognition.selection.choose_head`.
    n_folds, seed
        Of both levels.
    progress
        Told of each fold.

    Raises
    ------
    InputError
        If there are fewer units than folds, or one class only in a training part.
    """
    fold = folds_of_images(examples, unit, n_folds=n_folds, seed=seed)
    logits = np.zeros((len(fold), examples.n_classes))
    for one in tracked(range(n_folds), "Predicting left-out fish", progress):
        apart = fold == one
        chosen = choose_head(
            examples.where(~apart),
            unit[~apart],
            grids,
            n_folds=n_folds,
            seed=seed,
            extra=[part[~apart] for part in extra],
        )
        logits[apart] = chosen.head.logits(examples.features[apart])
    return logits


def cross_validate_plainly(examples: Examples, unit: Ints, *, n_folds: int, seed: int) -> Floats:
    """Probabilities (n_images, n_classes) as a plain script has them: every image alike, no choice, no weights."""
    fold = folds_of_images(examples, unit, n_folds=n_folds, seed=seed)
    probs = np.zeros((len(fold), examples.n_classes))
    for one in range(n_folds):
        apart = fold == one
        model = make_pipeline(StandardScaler(), LogisticRegression(C=PLAIN_C, max_iter=1000))
        model.fit(examples.features[~apart], examples.label[~apart])
        probs[np.ix_(apart, model.classes_)] = model.predict_proba(examples.features[apart])
    return probs


def individual_figures(values: Floats, examples: Examples, *, among: npt.NDArray[np.bool_] | None = None) -> Figures:
    """Figures per individual, named by the largest mean over its images.

    Parameters
    ----------
    values
        Logits or probabilities of each image.
    examples
        Whose labels are the truth.
    among
        Classes the balanced figure is taken over; all by default.

    Examples
    --------
    >>> examples = Examples(np.zeros((3, 1)), np.array([0, 0, 1]), np.array([0, 0, 1]), 2)
    >>> individual_figures(np.array([[2.0, 0.0], [0.0, 1.0], [1.0, 0.0]]), examples)
    Figures(accuracy=0.5, balanced_accuracy=0.5)
    """
    label = examples.label_of_individual
    right = mean_of_images(values, examples.individual).argmax(axis=1) == label
    present = examples.per_class > 0
    used = np.flatnonzero(present if among is None else present & among)
    recalls = [float(right[label == one].mean()) for one in used]
    return Figures(float(right.mean()), float(np.mean(recalls)))
