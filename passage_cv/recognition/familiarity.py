"""How unlike everything learnt features look: in which direction from all classes they lie, and how far.

Comes in: features of the fish a head learns from. Goes out: two scores of a picture, and what joins them to one
number. Which score finds most fish of kinds never seen is asked in ``unfamiliarity``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from safetensors import SafetensorError
from safetensors.numpy import load_file

from passage_cv.errors import InputError
from passage_cv.recognition.head_settings import DiscriminantGrid, Grid
from passage_cv.recognition.heads import Examples, Floats, Ints, mean_of_images, split_by_class, standardise, turn
from passage_cv.recognition.selection import with_extra

UNFAMILIARITY_FILE = "unfamiliarity.safetensors"
"""The numbers of :class:`Unfamiliarity` in a run folder."""

LEAST_SHRINKAGE = 0.1
"""Of both covariances, however little the head has [ours].

With 0.01 and about as many fish as features, models that lack a fold find new fish farther away than the model of all
fish does: a level set out of fold then holds 1.6 % of a demo's new fish where 5 % were asked for.
"""

WEIGHTS = (2.0, 1.0)
"""Of direction and relative distance; near the best on photographs and on drawn fish (README)."""


@dataclass(frozen=True, slots=True)
class Axes:
    """Features turned and stretched: ``features @ weights.T + bias``.

    ``weights`` has shape (n_axes, n_features), ``bias`` (n_axes,). Features that are only stretched have weights of
    shape (n_features,): ``features * weights + bias``.
    """

    weights: Floats
    bias: Floats

    def place(self, features: npt.NDArray[np.floating]) -> Floats:
        """Features in these axes, shape (n, n_axes)."""
        values = features.astype(np.float64)
        return np.asarray((values @ self.weights.T if self.are_turned else values * self.weights) + self.bias)

    @property
    def are_turned(self) -> bool:
        """Whether an axis is more than one feature."""
        return self.weights.ndim == 2


@dataclass(frozen=True, slots=True)
class Familiar:
    """What is known of the fish learnt from.

    In the axes ``within`` the covariance within classes is the identity and the middle of all class means is zero, in
    ``overall`` the same holds of the covariance of all fish and their mean; both covariances are shrunken. ``means``
    (n_classes_met, n_axes) are the class means in ``within``.
    """

    within: Axes
    means: Floats
    overall: Axes

    def direction(self, features: npt.NDArray[np.floating]) -> Floats:
        """Minus the cosine to the class mean in the nearest direction, shape (n,)."""
        with np.errstate(invalid="ignore"):  # at the middle itself there is no direction
            return np.asarray(-(to_length_1(self.within.place(features)) @ to_length_1(self.means).T).max(axis=1))

    def relative_distance(self, features: npt.NDArray[np.floating]) -> Floats:
        """Squared distance to the nearest class mean less the one to the mean of all fish, shape (n,).

        References
        ----------
        Ren, Fort, Liu, Roy, Padhy & Lakshminarayanan 2021, A simple fix to Mahalanobis distance for improving
        near-OOD detection, from memory.
        """
        own = squared_distance(self.within.place(features), self.means).min(axis=1)
        return np.asarray(own - (self.overall.place(features) ** 2).sum(axis=1))

    def scores(self, features: npt.NDArray[np.floating]) -> Floats:
        """Both, shape (n, 2): what :class:`Joined` joins."""
        return np.stack([self.direction(features), self.relative_distance(features)], axis=1)


@dataclass(frozen=True, slots=True)
class Joined:
    """Both scores joined to one: their mean by :data:`WEIGHTS`, in standard deviations of known fish out of fold.

    ``middle`` and ``spread`` are those of each score, shape (2,).
    """

    middle: Floats
    spread: Floats

    @classmethod
    def of_known(cls, per_individual: Floats) -> Joined:
        """From the scores of known individuals, shape (n, 2), each by what had not seen it."""
        spread = per_individual.std(axis=0)
        return cls(per_individual.mean(axis=0), np.where(spread > 0, spread, 1.0))

    def join(self, scores: Floats) -> Floats:
        """One number for each row of scores (n, 2): 0 for an ordinary known fish.

        Examples
        --------
        >>> joined = Joined(np.array([1.0, 0.0]), np.array([2.0, 1.0]))
        >>> joined.join(np.array([[3.0, 4.0], [1.0, 0.0]])).tolist()
        [2.0, 0.0]
        """
        return np.average((scores - self.middle) / self.spread, axis=1, weights=WEIGHTS)


@dataclass(frozen=True, slots=True)
class Unfamiliarity:
    """The score that a model says of each view."""

    familiar: Familiar
    joined: Joined

    def of(self, features: npt.NDArray[np.floating]) -> Floats:
        """Unfamiliarity of each row of features (n, n_features), shape (n,)."""
        return self.joined.join(self.familiar.scores(features))

    def tensors(self) -> dict[str, Floats]:
        """Every number of it by name, as a safetensors file wants them."""
        known = self.familiar
        return {
            "within.weight": known.within.weights,
            "within.bias": known.within.bias,
            "within.means": known.means,
            "overall.weight": known.overall.weights,
            "overall.bias": known.overall.bias,
            "joined.middle": self.joined.middle,
            "joined.spread": self.joined.spread,
        }

    @classmethod
    def of_tensors(cls, tensors: Mapping[str, Floats]) -> Unfamiliarity:
        """From what :meth:`tensors` gave."""
        within, overall = (Axes(tensors[f"{name}.weight"], tensors[f"{name}.bias"]) for name in ("within", "overall"))
        familiar = Familiar(within, tensors["within.means"], overall)
        return cls(familiar, Joined(tensors["joined.middle"], tensors["joined.spread"]))


def fit_familiar(examples: Examples, shrinkage: float) -> Familiar:
    """Class means and both covariances of examples, each individual weighing 1.

    Parameters
    ----------
    examples
        Two classes or more.
    shrinkage
        Share of each covariance that its mean variance replaces, as in a discriminant.
    """
    standard, centre, spread = standardise(examples)
    space = turn(standard)
    weight = standard.image_weight[:, None]
    overall = (standard.features * weight).T @ standard.features / weight.sum()
    variance, axes = np.linalg.eigh(overall)
    stretch = _stretch(space.variance, shrinkage)
    within = (space.axes * stretch).T / spread
    around = (axes * _stretch(np.maximum(variance, 0.0), shrinkage)).T / spread
    return Familiar(
        within=Axes(within, -within @ (centre + spread * space.middle)),
        means=space.centres[space.counts > 0] * stretch,
        overall=Axes(around, -around @ centre),
    )


def fit_round_familiar(examples: Examples) -> Familiar:
    """As :func:`fit_familiar` with shrinkage 1, where both covariances are alike in every direction.

    Nothing has to be turned then, and an axis is one number instead of a row of a matrix.
    """
    standard, centre, spread = standardise(examples)
    centres, inner = split_by_class(standard)
    met = centres[standard.per_class > 0]
    middle = met.mean(axis=0)
    weight = standard.image_weight
    within = 1.0 / np.sqrt((inner**2).sum(axis=0).mean())
    overall = 1.0 / np.sqrt(np.average(standard.features**2, axis=0, weights=weight).mean())
    return Familiar(
        within=Axes(within / spread, -within * (centre / spread + middle)),
        means=(met - middle) * within,
        overall=Axes(overall / spread, -overall * centre / spread),
    )


def _stretch(variance: Floats, shrinkage: float) -> Floats:
    """What makes the shrunken variance along each axis 1."""
    return np.asarray(1.0 / np.sqrt((1 - shrinkage) * variance + shrinkage * variance.mean()))


def fit_unfamiliarity(
    examples: Examples,
    fold: Ints,
    seen: npt.NDArray[np.bool_],
    point: Grid,
    *,
    extra: Sequence[npt.NDArray[np.floating]] = (),
) -> tuple[Unfamiliarity, Floats]:
    """The score fitted on all examples, and that of every image out of fold, shape (n_images,).

    Parameters
    ----------
    examples, extra
        As :func:`~passage_cv.recognition.selection.choose_head`.
    fold
        Of each image.
    seen
        False for an image whose class had no individual outside its fold: its score is NaN.
    point
        The chosen head, see :func:`shrinkage_of`.
    """
    scores = np.full((len(fold), 2), np.nan)
    for number, familiar in enumerate(fit_fold_familiar(examples, fold, point, extra=extra)):
        own = seen & (fold == number)
        scores[own] = familiar.scores(examples.features[own])
    whole = fit_familiar(with_extra(examples, extra), shrinkage_of(point))
    return join_out_of_fold(whole, scores, examples, seen)


def join_out_of_fold(
    whole: Familiar, scores: Floats, examples: Examples, seen: npt.NDArray[np.bool_]
) -> tuple[Unfamiliarity, Floats]:
    """The score of what is familiar from all examples, and that of every image out of fold, shape (n_images,).

    ``scores`` (n_images, 2) are both scores of each image by what had not seen it, NaN where not ``seen``.
    """
    joined = Joined.of_known(mean_of_images(scores[seen], examples.where(seen).individual))
    return Unfamiliarity(whole, joined), joined.join(scores)


def fit_fold_familiar(
    examples: Examples, fold: Ints, point: Grid, *, extra: Sequence[npt.NDArray[np.floating]] = ()
) -> list[Familiar]:
    """What is familiar without each fold, from 0: beside the heads of ``fit_fold_heads``, with the same arguments."""
    kept = [fold != number for number in range(int(fold.max()) + 1)]
    return [
        fit_familiar(with_extra(examples.where(keep), [part[keep] for part in extra]), shrinkage_of(point))
        for keep in kept
    ]


def shrinkage_of(point: Grid) -> float:
    """The share of both covariances that their mean variance replaces, beside a head of these settings."""
    return max(LEAST_SHRINKAGE, point.shrinkages[0] if isinstance(point, DiscriminantGrid) else 0.0)


def read_joined(path: Path) -> Joined:
    """How a run joins its two scores, from its file of tensors.

    Raises
    ------
    InputError
        If the file is missing or is not one.
    """
    try:
        tensors = load_file(path)
        return Joined(tensors["joined.middle"], tensors["joined.spread"])
    except (OSError, SafetensorError, KeyError) as error:
        raise InputError(
            f"What the run's unfamiliarity was fitted with cannot be read: {error}",
            where=str(path),
            do="Copy the whole run folder again, or train again.",
        ) from error


def to_length_1(rows: Floats) -> Floats:
    """Rows of length 1."""
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))


def squared_distance(a: Floats, b: Floats) -> Floats:
    """Squared distances of all rows of a to all rows of b, shape (n_a, n_b)."""
    return np.asarray((a**2).sum(axis=1)[:, None] - 2 * a @ b.T + (b**2).sum(axis=1))
