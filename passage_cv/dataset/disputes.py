"""Individuals whose label the model disputes, worst first: where a second reader should look.

Only role ``train`` is asked, whose scores come from models that had not seen the fish (out of fold). Scores of
``cut`` and ``test`` are never read for this: that would be a look at them. There, second readers look blind.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from passage_cv.errors import InputError
from passage_cv.scores import Scores

_FLOOR = 1e-12


@dataclass(frozen=True, slots=True)
class Dispute:
    """One individual that the model would rather call something else.

    Probabilities are of the mean log probability over its ``images``, out of fold and at equal shares of the
    classes; ``odds`` is how many times likelier the model finds ``says`` than ``label``.
    """

    individual: str
    label: str
    says: str
    probability_of_label: float
    probability_of_says: float
    images: tuple[str, ...]

    @property
    def odds(self) -> float:
        """Probability of what the model says over that of the label; at least 1."""
        return self.probability_of_says / max(self.probability_of_label, _FLOOR)


def find_disputes(scores: Scores) -> list[Dispute]:
    """Disputed labels of role ``train``, the most disputed first.

    Parameters
    ----------
    scores
        With out-of-fold rows of role ``train``; images of an individual are combined first.

    Raises
    ------
    InputError
        If there is no such row, or the file holds a ready gate score, which disputes no class.
    """
    train = scores.with_role("train")
    if scores.kind == "gate_score" or not len(train):
        raise InputError(
            "There are no out-of-fold scores per class of role train",
            where=scores.source,
            do="Give the scores that train or score wrote.",
        )
    known = train.where(np.isin(train.label, scores.classes) & ~np.isnan(train.values).any(axis=1))
    found = [_dispute(known.where(known.individual == name)) for name in np.unique(known.individual)]
    disputed = [one for one in found if one.label != one.says]
    return sorted(disputed, key=lambda one: (-one.odds, one.individual))


def _dispute(fish: Scores) -> Dispute:
    chances = _probabilities(fish)
    label = fish.classes.index(str(fish.label[0]))
    says = int(chances.argmax())
    return Dispute(
        individual=str(fish.individual[0]),
        label=fish.classes[label],
        says=fish.classes[says],
        probability_of_label=float(chances[label]),
        probability_of_says=float(chances[says]),
        images=tuple(str(sha256) for sha256 in fish.text["image_sha256"]),
    )


def _probabilities(fish: Scores) -> npt.NDArray[np.float64]:
    """One individual's class probabilities: the mean of its images' log probabilities, normalised."""
    logits = fish.values if fish.kind == "logit" else np.log(np.maximum(fish.values, _FLOOR))
    logs = logits - np.logaddexp.reduce(logits, axis=1, keepdims=True)
    mean = np.average(logs, axis=0, weights=fish.numbers["view_weight"])
    return np.asarray(np.exp(mean - np.logaddexp.reduce(mean)), dtype=np.float64)
