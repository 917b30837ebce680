"""Why fish were held: which hold rule spoke, or that the score lay between the cutoffs.

Comes in: judged individuals. Goes out: one row per reason. Every held fish is counted once, under the rule the gate
would name.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import PROTECTED
from passage_cv.evaluation.judging import Judged
from passage_cv.records import Action

BETWEEN = "score between the cutoffs"


@dataclass(frozen=True, slots=True)
class HoldCount:
    """Individuals held for one reason, by what the policy wants of them; ``unknown`` are of no class of it."""

    reason: str
    exclude: int
    protected: int
    wanted: int
    unknown: int

    @property
    def held(self) -> int:
        """All of them."""
        return self.exclude + self.protected + self.wanted + self.unknown


def count_holds(judged: Judged, cutoffs: Cutoffs) -> tuple[HoldCount, ...]:
    """One row per reason, hold rules first, the commonest first; no row where nothing was held."""
    held = judged.took(Action.HOLD)
    spared = judged.scored.not_rejected & (judged.scored.score.astype(np.float32) > cutoffs.gate_v)
    reasons = np.where(judged.scored.held != "", judged.scored.held, np.where(spared, PROTECTED, BETWEEN))
    groups = np.array(
        [cutoffs.groups.get(str(label), "unknown") for label in judged.individuals.label], dtype=np.str_
    )
    rows = [_count(str(reason), groups[held & (reasons == reason)]) for reason in np.unique(reasons[held])]
    return tuple(sorted(rows, key=lambda row: (row.reason == BETWEEN, -row.held)))


def _count(reason: str, groups: np.ndarray) -> HoldCount:
    count = {name: int((groups == name).sum()) for name in ("exclude", "protected", "pass", "unknown")}
    return HoldCount(reason, count["exclude"], count["protected"], count["pass"], count["unknown"])
