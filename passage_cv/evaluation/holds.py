"""Why fish were held: which hold rule spoke, or that the score lay between the cutoffs.

Comes in: judged individuals. Goes out: one row per reason. Every held fish is counted once, under the rule the gate
would name.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import PROTECTED, UNFAMILIAR, choose_actions
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


@dataclass(frozen=True, slots=True)
class UnfamiliarHolds:
    """What holding unfamiliar fish costs in fish of known classes.

    Of ``known`` individuals of a role ``held`` are held as unfamiliar, ``only_for_it`` of them would else have been
    passed or rejected. ``share`` is the share held at the site's expected shares, of the classes that were met.
    """

    role: str
    known: int
    held: int
    only_for_it: int
    share: float


def count_unfamiliar(judged: Judged, cutoffs: Cutoffs, role: str) -> UnfamiliarHolds | None:
    """Known fish of one role that are held as unfamiliar; None where the cutoffs hold none so, or none was met."""
    label = judged.individuals.label
    known = np.isin(label, cutoffs.classes)
    if cutoffs.gate_unfamiliarity is None or not known.any():
        return None
    held = known & (judged.scored.held == UNFAMILIAR)
    free = choose_actions(replace(judged.scored, held=np.where(held, "", judged.scored.held)), cutoffs)
    met = np.unique(label[known])
    weights = [cutoffs.shares[str(code)] for code in met]
    return UnfamiliarHolds(
        role=role,
        known=int(known.sum()),
        held=int(held.sum()),
        only_for_it=int((held & (free != Action.HOLD)).sum()),
        share=float(np.average([held[label == code].mean() for code in met], weights=weights)),
    )


def _count(reason: str, groups: np.ndarray) -> HoldCount:
    count = {name: int((groups == name).sum()) for name in ("exclude", "protected", "pass", "unknown")}
    return HoldCount(reason, count["exclude"], count["protected"], count["pass"], count["unknown"])
