"""The site's costs and shares turn probabilities into one gate score.

s = lse_excluded(log cost + log p) - lse_wanted(log cost + log p): high is more like an excluded class
(decision-method 4 and 5). With p_c at equal shares, p_s is proportional to p_c times the site's share, and the
normalisation falls out of s; so a class enters with one constant, ``weights``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from passage_cv.policy import Policy
from passage_cv.scores import Floats

EXCLUDED_SHARE_FLOOR = 1e-4
"""A forecast never calls an excluded class rarer than this (pi_min of decision-method 4; value ours)."""
SHARE_FLOOR = 1e-9
"""A share of 0 would make a class impossible; this keeps logarithms finite."""


@dataclass(frozen=True, slots=True)
class ClassCosts:
    """The policy's numbers in the model's class order, arrays of shape (n_classes,)."""

    classes: tuple[str, ...]
    excluded: npt.NDArray[np.bool_]
    shares: Floats
    error: Floats
    hold: Floats

    @property
    def log_weights(self) -> Floats:
        """log(cost of the error) + log(share), the constant with which each class enters the score."""
        return np.log(self.error) + np.log(self.shares)


def class_costs(policy: Policy, classes: tuple[str, ...]) -> ClassCosts:
    """Costs and floored shares of a policy in a given class order (the classes must be the same)."""
    rules = [policy.rule(name) for name in classes]
    excluded = np.array([rule.policy == "exclude" for rule in rules])
    shares = np.array([policy.shares[name] for name in classes])
    shares = np.maximum(shares, np.where(excluded, EXCLUDED_SHARE_FLOOR, SHARE_FLOOR))
    return ClassCosts(
        classes=classes,
        excluded=excluded,
        shares=shares / shares.sum(),
        error=np.array([rule.error_cost for rule in rules]),
        hold=np.array([policy.hold_cost_of(name) for name in classes]),
    )


def site_log_probs(log_probs: Floats, shares: Floats) -> Floats:
    """Site log-probabilities log p_s from log p_c fitted at equal shares: p_s proportional to p_c times the share.

    Examples
    --------
    Decision-method 13, example 8:

    >>> log_probs = np.log([[0.7, 0.2, 0.1]])
    >>> np.round(np.exp(site_log_probs(log_probs, np.array([0.05, 0.60, 0.35]))), 10).tolist()
    [[0.1842105263, 0.6315789474, 0.1842105263]]
    """
    moved = log_probs + np.log(shares)
    return np.asarray(moved - logsumexp(moved, axis=1, keepdims=True))


def gate_scores(log_probs: Floats, costs: ClassCosts) -> Floats:
    """The gate score s of each individual from log p_c, natural log-odds, shape (n_individuals,)."""
    weighted = log_probs + costs.log_weights
    return np.asarray(
        logsumexp(weighted[:, costs.excluded], axis=1) - logsumexp(weighted[:, ~costs.excluded], axis=1)
    )


def bayes_cutoffs(pass_ratio: float, reject_ratio: float) -> tuple[float, float]:
    """(u0, v0) where holding costs ``pass_ratio`` of a miss and ``reject_ratio`` of a false rejection.

    Decision-method 5: u0 = log(kD / (1 - kA)), v0 = log((1 - kD) / kA); both 0 where holding never pays.

    Examples
    --------
    >>> [round(cutoff, 10) for cutoff in bayes_cutoffs(1 / 20, 1 / 5)]
    [-1.558144618, 2.7725887222]
    >>> bayes_cutoffs(2 / 3, 2 / 3)
    (0.0, 0.0)
    """
    if pass_ratio + reject_ratio >= 1:
        return 0.0, 0.0
    return (
        float(np.log(reject_ratio / (1 - pass_ratio))),
        float(np.log((1 - reject_ratio) / pass_ratio)),
    )
