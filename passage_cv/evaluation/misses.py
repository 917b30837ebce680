"""Count what the rule did to each class, per individual, with exact limits.

Comes in: individuals, their true classes and the actions chosen for them. Goes out: one row of counts per class.
Cutoffs are never changed here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from passage_cv.decision.combine import Individuals, Ints, name_codes
from passage_cv.policy import Group
from passage_cv.records import Action
from passage_cv.stats.binomial import exact_interval, upper_limit

GroupOrUnknown = Group | Literal["unknown"]

GROUP_NAMES: dict[Group, str] = {"exclude": "all excluded", "protected": "all protected", "pass": "all others wanted"}
"""Rows that count a group of classes as one."""


def miss_rate_upper(misses: int, shown: int, *, confidence: float = 0.95) -> float:
    """Exact one-sided upper limit of one class's miss (or false-rejection) rate.

    Parameters
    ----------
    misses
        Individuals given the wrong final action; ``0 <= misses <= shown``.
    shown
        Individuals of that class put before the rule; not images.
    confidence
        One-sided, in (0, 1).

    Returns
    -------
    float
        Rate in (0, 1]; 1.0 where every individual was missed or none was shown.

    Raises
    ------
    InputError
        If the counts cannot come from one trial.

    Notes
    -----
    Assumes: individuals are exchangeable with those the gate will meet, and the cutoffs were fixed before these
    individuals were scored.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404, one-sided form.

    Examples
    --------
    >>> round(miss_rate_upper(0, 59), 4)
    0.0495
    """
    return upper_limit(misses, shown, confidence=confidence)


@dataclass(frozen=True, slots=True)
class ClassCount:
    """What happened to the individuals of one class.

    An error is a pass of an excluded class and a rejection of a wanted one; a fish of no class of the policy
    (group ``unknown``) may only be held, so its errors are all that were not. A row may also stand for a group of
    classes, or for those of them that share a site, a trip or a size.
    """

    code: str
    group: GroupOrUnknown
    shown: int
    trips: int
    passed: int
    held: int
    rejected: int
    confidence: float

    @property
    def errors(self) -> int:
        """Individuals given the wrong final action."""
        if self.group == "unknown":
            return self.passed + self.rejected
        return self.passed if self.group == "exclude" else self.rejected

    @property
    def rate(self) -> float | None:
        """Errors per individual shown; None where none was shown."""
        return self.errors / self.shown if self.shown else None

    @property
    def interval(self) -> tuple[float, float]:
        """Exact two-sided interval of the error rate (Clopper & Pearson 1934)."""
        return exact_interval(self.errors, self.shown, confidence=self.confidence)

    @property
    def upper(self) -> float:
        """Exact one-sided upper limit of the error rate."""
        return upper_limit(self.errors, self.shown, confidence=self.confidence)


def count_actions(
    individuals: Individuals,
    actions: npt.NDArray[np.object_],
    groups: Mapping[str, Group],
    *,
    confidence: float = 0.95,
) -> tuple[ClassCount, ...]:
    """One row per class of the policy, in its order, then one per other label that was met."""
    labels, trips = individuals.label, name_codes(individuals.trip)
    others = [str(name) for name in np.unique(labels) if name not in groups]
    return tuple(
        count_row(actions, trips, np.flatnonzero(labels == code), code, groups.get(code, "unknown"), confidence)
        for code in (*groups, *others)
    )


def count_groups(
    individuals: Individuals,
    actions: npt.NDArray[np.object_],
    groups: Mapping[str, Group],
    *,
    confidence: float = 0.95,
) -> tuple[ClassCount, ...]:
    """One row per group of classes that the policy has, for the mix of classes as it was imaged."""
    trips = name_codes(individuals.trip)
    rows = []
    for group, name in GROUP_NAMES.items():
        codes = [code for code, own in groups.items() if own == group]
        if codes:
            own = np.flatnonzero(np.isin(individuals.label, codes))
            rows.append(count_row(actions, trips, own, name, group, confidence))
    return tuple(rows)


def count_row(
    actions: npt.NDArray[np.object_], trips: Ints, rows: Ints, code: str, group: GroupOrUnknown, confidence: float
) -> ClassCount:
    """Count some individuals, given by their rows, as one row of a table; ``trips`` are -1 where not known."""
    taken, own_trips = actions[rows], trips[rows]
    return ClassCount(
        code=code,
        group=group,
        shown=len(rows),
        trips=len(np.unique(own_trips[own_trips >= 0])),
        passed=int((taken == Action.PASS).sum()),
        held=int((taken == Action.HOLD).sum()),
        rejected=int((taken == Action.REJECT).sum()),
        confidence=confidence,
    )


def confusion_table(true: Sequence[str], named: Sequence[str], classes: Sequence[str]) -> npt.NDArray[np.intp]:
    """Counts of (true class, class named first), shape (n_classes, n_classes); other labels are left out.

    Examples
    --------
    >>> confusion_table(["A", "A", "B"], ["A", "B", "B"], ["A", "B"]).tolist()
    [[1, 1], [0, 1]]
    """
    place = {name: i for i, name in enumerate(classes)}
    table = np.zeros((len(classes), len(classes)), dtype=np.intp)
    for truth, answer in zip(true, named, strict=True):
        if truth in place:
            table[place[truth], place[answer]] += 1
    return table
