"""Linear heads on frozen features: a shrunken discriminant and a logistic regression, on equal terms.

Comes in: features per image, the class and the individual of each. Goes out: weights and bias per class. Every
individual counts once however many images it has, and every class alike (prior 1 / K). Which head is best is asked in
``selection``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from sklearn.linear_model import LogisticRegression

from passage_cv.recognition.head_settings import DiscriminantGrid, Grid, LogisticGrid

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

ABSENT_GAP = 10.0
"""How far below every other logit a class stands that had no individual to learn from, in nats."""


@dataclass(frozen=True, slots=True)
class Head:
    """``logits = features @ weights.T + bias``; weights (n_classes, n_features), bias (n_classes,).

    ``present`` tells which classes had an individual; the others get a logit :data:`ABSENT_GAP` below the lowest.
    """

    weights: Floats
    bias: Floats
    present: npt.NDArray[np.bool_]

    def logits(self, features: npt.NDArray[np.floating]) -> Floats:
        """Logits of shape (n, n_classes) for features (n, n_features)."""
        out = features.astype(np.float64) @ self.weights.T + self.bias
        if not self.present.all():
            out[:, ~self.present] = out[:, self.present].min(axis=1, keepdims=True) - ABSENT_GAP
        return out

    def scaled(self, factor: float) -> Head:
        """The same head with all logits multiplied by a factor."""
        return Head(self.weights * factor, self.bias * factor, self.present)


@dataclass(frozen=True, slots=True)
class Examples:
    """What a head learns from; ``label`` and ``individual`` are numbers from 0 and belong to each image.

    ``features`` has shape (n_images, n_features); the images of an individual have one label.
    """

    features: npt.NDArray[np.floating]
    label: Ints
    individual: Ints
    n_classes: int

    def where(self, keep: npt.NDArray[np.bool_]) -> Examples:
        """The images where ``keep`` is true, individuals numbered anew."""
        _, individual = np.unique(self.individual[keep], return_inverse=True)
        return Examples(self.features[keep], self.label[keep], individual, self.n_classes)

    @property
    def image_weight(self) -> Floats:
        """1 / images of the individual, so that an individual weighs 1."""
        return np.asarray(1.0 / np.bincount(self.individual)[self.individual])

    @property
    def label_of_individual(self) -> Ints:
        """Label of each individual."""
        labels = np.zeros(self.individual.max() + 1, dtype=np.intp)
        labels[self.individual] = self.label
        return labels

    @property
    def per_class(self) -> Ints:
        """Individuals of each class, shape (n_classes,)."""
        return np.bincount(self.label_of_individual, minlength=self.n_classes)


def mean_of_images(values: npt.NDArray[np.floating], individual: Ints) -> Floats:
    """Mean over the images of each individual, shape (n_individuals, width).

    Examples
    --------
    >>> mean_of_images(np.array([[1.0], [3.0], [5.0]]), np.array([0, 0, 1])).tolist()
    [[2.0], [5.0]]
    """
    counts = np.bincount(individual)
    sums = np.zeros((len(counts), values.shape[1]))
    np.add.at(sums, individual, values)
    return sums / counts[:, None]


def fit_heads(examples: Examples, grid: Grid) -> list[Head]:
    """One head per point of the grid, for features as they come (standardised inside).

    Parameters
    ----------
    examples
        At least two classes.
    grid
        Kind and strengths.
    """
    standard, centre, spread = standardise(examples)
    heads = fit_discriminants(standard, grid) if isinstance(grid, DiscriminantGrid) else fit_logistics(standard, grid)
    return [Head(head.weights / spread, head.bias - (head.weights / spread) @ centre, head.present) for head in heads]


def standardise(examples: Examples) -> tuple[Examples, Floats, Floats]:
    """The examples with mean 0 and variance 1 per feature, individuals weighing alike; and what was taken off."""
    weight = examples.image_weight
    centre = np.average(examples.features, axis=0, weights=weight)
    spread = np.sqrt(np.average((examples.features - centre) ** 2, axis=0, weights=weight))
    spread = np.where(spread > 0, spread, 1.0)  # a feature that never varies tells nothing
    return replace(examples, features=(examples.features - centre) / spread), centre, spread


def fit_discriminants(examples: Examples, grid: DiscriminantGrid) -> list[Head]:
    """Gaussian classes with one shrunken covariance S, and what is known of each class mean.

    A mean of n individuals is drawn towards the middle of all classes by f = n / (n + prior). Its squared distance to
    a fish is still too long by f^2 trace(S^-1 C) / n, with C the covariance of individuals' means; that is taken off,
    else a class of few individuals is hardly ever named.

    References
    ----------
    Friedman 1989, JASA 84:165 (shrinkage to the mean variance); Moran & Murphy 1979, Applied Statistics 28:223
    (bias of the plug-in rule); Efron & Morris 1975, JASA 70:311 (means drawn together); from memory.
    """
    space = turn(examples)
    heads = []
    for point in grid.points():
        shrinkage, prior = point.shrinkages[0], point.priors[0]
        pull = space.counts / np.maximum(space.counts + prior, 1e-12)
        inverse = 1.0 / ((1 - shrinkage) * space.variance + shrinkage * space.variance.mean())
        centres = space.centres * pull[:, None]
        excess = pull**2 * (inverse @ space.variance_of_means) / np.maximum(space.counts, 1)
        weights = (centres * inverse) @ space.axes.T
        bias = -0.5 * ((centres**2) @ inverse - excess) - weights @ space.middle
        heads.append(Head(weights, bias, space.counts > 0))
    return heads


@dataclass(frozen=True, slots=True)
class Space:
    """Class means in the axes of the pooled covariance within classes.

    ``centres`` (n_classes, n_features) are differences to ``middle``, turned; ``variance`` is of images and
    ``variance_of_means`` of individuals' means, along each axis.
    """

    counts: Ints
    axes: Floats
    middle: Floats
    centres: Floats
    variance: Floats
    variance_of_means: Floats


def turn(examples: Examples) -> Space:
    """Pool the covariance within classes, each individual weighing 1, and turn everything into its axes."""
    counts, labels = examples.per_class, examples.label_of_individual
    n_free = max(1, len(labels) - int((counts > 0).sum()))
    means = mean_of_images(examples.features, examples.individual)
    centres, inner = split_by_class(examples)
    variance, axes = np.linalg.eigh(inner.T @ inner)
    middle = centres[counts > 0].mean(axis=0)
    return Space(
        counts=counts,
        axes=axes,
        middle=middle,
        centres=(centres - middle) @ axes,
        variance=np.maximum(variance, 0.0),
        variance_of_means=(((means - centres[labels]) @ axes) ** 2).sum(axis=0) / n_free,
    )


def split_by_class(examples: Examples) -> tuple[Floats, Floats]:
    """Class means (n_classes, n_features), 0 where none was met, and what is left of each image without them.

    What is left (n_images, n_features) is weighted such that its squares sum to the pooled variance within classes of
    each feature, each individual weighing 1.
    """
    counts, labels = examples.per_class, examples.label_of_individual
    means = mean_of_images(examples.features, examples.individual)
    centres = np.zeros((examples.n_classes, means.shape[1]))
    np.add.at(centres, labels, means)
    centres /= np.maximum(counts, 1)[:, None]
    weight = examples.image_weight / max(1, len(labels) - int((counts > 0).sum()))
    return centres, (examples.features - centres[examples.label]) * np.sqrt(weight)[:, None]


def fit_logistics(examples: Examples, grid: LogisticGrid) -> list[Head]:
    """Multinomial logistic regressions with a squared penalty, individuals weighted to equal class shares."""
    counts = examples.per_class
    weight = examples.image_weight / counts[examples.label]
    weight *= counts.sum() / weight.sum()  # the penalty weighs against individuals, not images
    heads = []
    for strength in grid.strengths:
        model = LogisticRegression(C=strength, max_iter=1000)
        model.fit(examples.features, examples.label, sample_weight=weight)
        heads.append(_multinomial(model, examples.n_classes, counts > 0))
    return heads


def _multinomial(model: LogisticRegression, n_classes: int, present: npt.NDArray[np.bool_]) -> Head:
    """Spread scikit-learn's result over all classes; its two-class form has one row for both."""
    weights, bias = np.asarray(model.coef_), np.asarray(model.intercept_)
    if len(bias) == 1:
        weights, bias = np.concatenate([-weights / 2, weights / 2]), np.concatenate([-bias / 2, bias / 2])
    all_weights = np.zeros((n_classes, weights.shape[1]))
    all_bias = np.zeros(n_classes)
    all_weights[present], all_bias[present] = weights, bias
    return Head(all_weights, all_bias, present)
