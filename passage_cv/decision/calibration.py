"""Scores become probabilities: one temperature, small class offsets and the worth of a second view.

Model calibration in the sense of decision-method 3, fitted on out-of-fold logits of role ``train`` and fixed
before ``cut`` is read. Cutoffs are not found here.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import brentq, minimize
from scipy.special import logsumexp, softmax

from passage_cv.decision.combine import Individuals, Ints, evidence
from passage_cv.errors import InputError, PassageWarning
from passage_cv.progress import Progress, silent, tracked
from passage_cv.scores import Floats

BETA_MAX = 100.0
"""Where every fish is already ranked right the best beta is infinite; it is clamped here, with a warning."""
BETA_MIN = 1e-3
OFFSET_MIN_FISH = 20
"""A class with fewer calibration fish keeps offset 0 (decision-method 3)."""
RIDGE = 0.01
"""Weight of the squared offsets beside the mean log loss; small, ours."""
RHO_GRID = tuple(np.round(np.linspace(0, 1, 11), 1))


@dataclass(frozen=True, slots=True)
class ModelCalibration:
    """p_c = softmax(beta * g(views, rho) * logits + offsets), at equal class shares.

    The default changes nothing: it stands for scores that came without ``train`` rows.
    """

    beta: float = 1.0
    rho: float = 1.0
    offsets: Mapping[str, float] = field(default_factory=dict)

    def log_probs(self, individuals: Individuals) -> Floats:
        """Logarithm of the calibrated probabilities, shape (n_individuals, n_classes)."""
        offsets = np.array([self.offsets.get(name, 0.0) for name in individuals.classes])
        with np.errstate(invalid="ignore"):  # an infinite logit gives NaN, and NaN holds
            scaled = self.beta * evidence(individuals.n_views, self.rho)[:, None] * individuals.values + offsets
            return np.asarray(scaled - logsumexp(scaled, axis=1, keepdims=True))


def fit_temperature(logits: Floats, labels: Ints, weights: Floats | None = None) -> float:
    """The beta (1 / temperature) of least mean log loss; the root of an increasing function.

    Parameters
    ----------
    logits
        Shape (n_individuals, n_classes), natural logarithms up to a constant per row.
    labels
        Index of the true class, shape (n_individuals,).
    weights
        Per individual; equal by default.

    Examples
    --------
    Decision-method 13, example 7:

    >>> logits = np.array([[4, 1, 0], [3, 2.5, 0], [0, 5, 1], [2, 3, 2.5], [1, 0, 6], [2.5, 0, 2]])
    >>> round(fit_temperature(logits, np.array([0, 0, 1, 0, 2, 2])), 10)
    0.9065686221
    """
    share = _normalised(weights, len(logits))
    true = logits[np.arange(len(logits)), labels]

    def gradient(beta: float) -> float:
        return float(share @ ((softmax(beta * logits, axis=1) * logits).sum(axis=1) - true))

    if gradient(BETA_MAX) <= 0:  # 0 by underflow, where every fish is ranked right by a wide margin
        warnings.warn(
            f"Every calibration fish is ranked right; beta is clamped at {BETA_MAX:g}.",
            PassageWarning,
            stacklevel=2,
        )
        return BETA_MAX
    return BETA_MIN if gradient(BETA_MIN) > 0 else float(brentq(gradient, BETA_MIN, BETA_MAX, xtol=1e-13))


def fit_calibration(
    individuals: Individuals, *, ridge: float = RIDGE, progress: Progress = silent
) -> ModelCalibration:
    """Fit temperature, class offsets and the within-individual correlation on out-of-fold scores.

    Classes weigh alike (each fish 1 / fish of its class), so that p_c stands at equal shares. ``rho`` is
    searched on a grid only where the number of views varies, else it is 1.

    Assumes: the logits of a fish came from a head that had not seen its drawing unit.

    Raises
    ------
    InputError
        If fewer than two classes have a fish.
    """
    usable = individuals.where(individuals.hold_reason == "")
    labels = class_index(usable)
    usable, labels = usable.where(labels >= 0), labels[labels >= 0]
    if len(np.unique(labels)) < 2:
        raise InputError(
            f"Model calibration needs fish of two classes, found {len(np.unique(labels))}",
            where="role train",
            do="Train on more classes, or give probabilities instead of logits.",
        )
    weights = balanced_weights(labels)
    grid = RHO_GRID if len(np.unique(usable.n_views)) > 1 else (1.0,)
    steps = tracked(grid, "Calibrating the model", progress)
    fits = [(*_fit(usable, labels, weights, float(rho), ridge), float(rho)) for rho in steps]
    _, beta, offsets, rho = min(fits, key=lambda fit: (fit[0], -fit[3]))
    if beta >= BETA_MAX:
        warnings.warn(f"beta is clamped at {BETA_MAX:g}.", PassageWarning, stacklevel=2)
    names = dict(zip(usable.classes, offsets.tolist(), strict=True))
    return ModelCalibration(beta=beta, rho=rho, offsets={name: value for name, value in names.items() if value})


def every_fish_ranked_right(individuals: Individuals) -> bool:
    """Whether each individual's true class has the highest logit, so that no finite beta is the best."""
    labels = class_index(individuals)
    known = labels >= 0
    return bool((individuals.values[known].argmax(axis=1) == labels[known]).all())


def class_index(individuals: Individuals) -> Ints:
    """Index of each true class in the class order; -1 for ``unknown`` and every other name."""
    place = {name: i for i, name in enumerate(individuals.classes)}
    return np.array([place.get(str(label), -1) for label in individuals.label], dtype=np.intp)


def balanced_weights(labels: Ints) -> Floats:
    """Weight 1 / (fish of the class), scaled to sum 1."""
    counts = np.bincount(labels)
    return _normalised(1.0 / counts[labels], len(labels))


def log_loss(log_probs: Floats, labels: Ints, weights: Floats | None = None) -> float:
    """Mean negative logarithm of the true class's probability, in nats."""
    return float(-_normalised(weights, len(labels)) @ log_probs[np.arange(len(labels)), labels])


def _normalised(weights: Floats | None, n: int) -> Floats:
    values = np.ones(n) if weights is None else np.asarray(weights, dtype=np.float64)
    return np.asarray(values / values.sum())


def _fit(usable: Individuals, labels: Ints, weights: Floats, rho: float, ridge: float) -> tuple[float, float, Floats]:
    """(loss, beta, offsets) at a fixed rho; convex in (log-free beta, offsets)."""
    logits = evidence(usable.n_views, rho)[:, None] * usable.values
    n_classes = len(usable.classes)
    free = np.bincount(labels, minlength=n_classes) >= OFFSET_MIN_FISH
    true = np.zeros_like(logits)
    true[np.arange(len(labels)), labels] = 1.0

    def loss(parameters: Floats) -> tuple[float, Floats]:
        beta, offsets = parameters[0], _spread(parameters[1:], free)
        scaled = beta * logits + offsets
        log_probs = scaled - logsumexp(scaled, axis=1, keepdims=True)
        slope = (np.exp(log_probs) - true) * weights[:, None]
        value = -float(weights @ (log_probs * true).sum(axis=1)) + ridge / 2 * float(offsets @ offsets)
        by_offset = slope.sum(axis=0) + ridge * offsets
        return value, np.append(float((slope * logits).sum()), _gather(by_offset, free))

    start = np.append(1.0, np.zeros(int(free.sum())))
    bounds = [(BETA_MIN, BETA_MAX)] + [(None, None)] * int(free.sum())
    found = minimize(loss, start, jac=True, bounds=bounds, method="L-BFGS-B", options={"ftol": 1e-13, "gtol": 1e-8})
    return float(found.fun), float(found.x[0]), _spread(found.x[1:], free)


def _spread(free_offsets: Floats, free: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Floats:
    """Offsets of all classes, sum 0 over the free ones, 0 for the others."""
    offsets = np.zeros(len(free))
    if len(free_offsets):
        offsets[free] = free_offsets - free_offsets.mean()
    return offsets


def _gather(by_offset: Floats, free: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Floats:
    kept = by_offset[free]
    return kept - kept.mean() if len(kept) else kept
