"""Put individuals before fixed cutoffs: their gate scores, and the actions the gate would take.

Comes in: combined individuals of one role. Goes out: :class:`Judged`, which every other module of evaluation reads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from passage_cv.decision.calibration import ModelCalibration
from passage_cv.decision.combine import Individuals, Ints
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import Scored, choose_actions, score_with
from passage_cv.policy import Group
from passage_cv.records import Action

GROUP_ORDER: tuple[Group, ...] = ("exclude", "protected", "pass")
"""The order in which people ask for them."""


@dataclass(frozen=True, slots=True)
class Judged:
    """Individuals of one role with their gate scores and the actions the gate would take."""

    individuals: Individuals
    scored: Scored
    actions: npt.NDArray[np.object_]

    def took(self, action: Action) -> npt.NDArray[np.bool_]:
        """Which individuals were given an action."""
        return np.asarray(self.actions == action, dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class Labelled:
    """True class of each individual as a whole number: a class of the cutoffs, else -1 (no class of the policy)."""

    codes: Ints
    excluded: npt.NDArray[np.bool_]
    wanted: npt.NDArray[np.bool_]


def judge(individuals: Individuals, cutoffs: Cutoffs) -> Judged:
    """Score individuals and choose their actions as the gate would."""
    scored = score_with(individuals, cutoffs)
    return Judged(individuals, scored, choose_actions(scored, cutoffs))


def label_codes(individuals: Individuals, cutoffs: Cutoffs) -> Labelled:
    """The true classes as numbers, and which of them are excluded and wanted."""
    names, group = np.unique(individuals.label, return_inverse=True)
    place = {name: i for i, name in enumerate(cutoffs.classes)}
    codes = np.array([place.get(str(name), -1) for name in names], dtype=np.intp)[group]
    excluded = (codes >= 0) & cutoffs.class_costs.excluded[codes]
    return Labelled(codes, excluded, (codes >= 0) & ~excluded)


def calibration_of(cutoffs: Cutoffs) -> ModelCalibration:
    """The model calibration written in a cutoffs file."""
    return ModelCalibration(beta=cutoffs.beta, rho=cutoffs.rho, offsets=cutoffs.offsets)


def named_classes(individuals: Individuals, cutoffs: Cutoffs) -> list[str]:
    """The class with the highest calibrated probability of each individual, at equal shares; "" without classes."""
    if individuals.is_gate_score:
        return [""] * len(individuals)
    best = calibration_of(cutoffs).log_probs(individuals).argmax(axis=1)
    return [cutoffs.classes[i] for i in best]


def classes_by_group(cutoffs: Cutoffs) -> dict[str, Group]:
    """Classes with their group: excluded, protected, the others; within a group in the model's order."""
    classes = sorted(cutoffs.classes, key=lambda name: GROUP_ORDER.index(cutoffs.groups[name]))
    return {name: cutoffs.groups[name] for name in classes}
