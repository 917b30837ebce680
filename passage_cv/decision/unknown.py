"""From which unfamiliarity on a fish is held as unknown: set on ``train``, out of fold, before ``cut`` is read.

The level limits the load on people, not the risk: how often a species never seen is held is measured, not
demonstrated (decision-method 8).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

import numpy as np

from passage_cv.decision.combine import Individuals
from passage_cv.decision.cutoffs_file import UnfamiliarityFrom
from passage_cv.policy import Policy
from passage_cv.scores import Floats, Scores

SOURCES: tuple[UnfamiliarityFrom, ...] = get_args(UnfamiliarityFrom)
"""What a scores file's metadata may say under ``unfamiliarity``; anything else came with the scores alone."""


@dataclass(frozen=True, slots=True)
class UnknownRule:
    """Hold above this unfamiliarity (None: never); ``source`` says where a gate has it from (None: from nowhere)."""

    above: float | None = None
    source: UnfamiliarityFrom | None = None


def unknown_rule(train: Individuals, scores: Scores, policy: Policy) -> tuple[UnknownRule, tuple[str, ...]]:
    """The rule that holds unknown fish, and what a reader should know of it.

    Parameters
    ----------
    train
        Individuals of role ``train`` with out-of-fold unfamiliarity.
    scores
        May bring a level of its own (metadata ``unfamiliarity_above``), which is then taken as it is.
    policy
        Its ``unknown_hold_load`` bounds how many known fish the rule may hold, at the expected shares.
    """
    source = _source(scores)
    given = scores.meta.get("unfamiliarity_above")
    if given is not None:
        return UnknownRule(float(given), source), ()
    if "unfamiliarity" not in scores.present or policy.unknown_hold_load == 0:
        return UnknownRule(), ()
    values, labels = train.numbers["unfamiliarity"], train.label
    known = np.isfinite(values) & np.isin(labels, policy.codes) & (train.hold_reason == "")
    if not known.any():
        return UnknownRule(), ("No rows of role train: no fish is held as unlike anything the model was shown.",)
    names, group = np.unique(labels[known], return_inverse=True)
    shares = np.array([policy.shares[str(name)] for name in names])
    weights = shares[group] / np.bincount(group)[group]
    return UnknownRule(hold_level(values[known], weights, policy.unknown_hold_load), source), ()


def hold_level(values: Floats, weights: Floats, load: float) -> float:
    """The smallest value seen above which lies at most this share of the weight.

    Parameters
    ----------
    values, weights
        Of known individuals, shape (n,); at least one, weights positive.
    load
        In [0, 1).

    Examples
    --------
    >>> hold_level(np.arange(1.0, 11.0), np.ones(10), 0.2)
    8.0
    >>> hold_level(np.array([1.0, 2.0, 2.0]), np.ones(3), 0.5)
    2.0
    """
    order = np.argsort(values, kind="stable")
    ranked, weight = values[order], weights[order] / weights.sum()
    last_of_tie = np.append(ranked[1:] != ranked[:-1], True)
    above = 1 - np.cumsum(weight)
    return float(ranked[np.flatnonzero(last_of_tie & (above <= load + 1e-12))[0]])


def _source(scores: Scores) -> UnfamiliarityFrom | None:
    said = scores.meta.get("unfamiliarity") if scores.kind == "logit" else None
    return next((source for source in SOURCES if source == said), None)
