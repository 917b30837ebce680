"""What a model's answers cost a site before any cutoff is set: each fish gets its action of least expected cost.

Comes in: logits per individual and a policy. Goes out: costs. Demonstrated limits are no part of it: they are the
business of calibration.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import softmax

from passage_cv.policy import Policy

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

_LEAST_SHARE = 1e-12


def site_shares(classes: Sequence[str], policy: Policy) -> Floats:
    """Expected share of each class among presentations, in the order of the logits, with sum 1."""
    shares = np.array([policy.shares[code] for code in classes])
    return np.asarray(shares / shares.sum())


def cost_table(classes: Sequence[str], policy: Policy) -> Floats:
    """Cost (n_classes, 3) of passing, holding and rejecting a fish of each class."""
    rules = [policy.rule(code) for code in classes]
    return np.array(
        [
            [
                rule.error_cost if rule.policy == "exclude" else 0.0,
                policy.hold_cost_of(rule.code),
                0.0 if rule.policy == "exclude" else rule.error_cost,
            ]
            for rule in rules
        ]
    )


def best_actions(logits: Floats, classes: Sequence[str], policy: Policy) -> Ints:
    """The action of least expected cost for each individual: 0 pass, 1 hold, 2 reject.

    Parameters
    ----------
    logits
        Of individuals (n, n_classes), natural log-odds at equal class shares.
    classes
        Codes in the order of the logits.
    policy
        Costs and shares.
    """
    shares = np.maximum(site_shares(classes, policy), _LEAST_SHARE)
    probs = softmax(logits + np.log(shares), axis=1)
    return np.asarray((probs @ cost_table(classes, policy)).argmin(axis=1), dtype=np.intp)


def cost_of_each(logits: Floats, label: Ints, classes: Sequence[str], policy: Policy) -> Floats:
    """What the action of least expected cost turns out to cost for each individual, as :func:`best_actions`.

    ``label`` is the true class of each individual as its place in ``classes``.
    """
    return np.asarray(cost_table(classes, policy)[label, best_actions(logits, classes, policy)])


def expected_cost(logits: Floats, label: Ints, classes: Sequence[str], policy: Policy) -> float:
    """Mean cost per presentation at the policy's shares, as :func:`cost_of_each`.

    Notes
    -----
    Assumes: left-out fish are like those the gate will meet, class by class.
    """
    paid = cost_of_each(logits, label, classes, policy)
    present = np.unique(label)
    weight = site_shares(classes, policy)[present]
    return float(weight @ np.array([paid[label == one].mean() for one in present]) / weight.sum())
