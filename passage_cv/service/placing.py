"""From a decision to a position of the gate: where a held fish goes is the site's business, per class and occasion.

Nothing here can turn a hold into a pass; a site file has no word for it.
"""

from __future__ import annotations

import numpy as np

from passage_cv.decision.rule import PROTECTED
from passage_cv.gate.runtime import GateDecision
from passage_cv.gate.site import Held, HeldTable
from passage_cv.records import Action
from passage_cv.service.plant import POSITION_OF, PlantState, Position

HELD_AT = {"hold": Position.HOLD, "reject": Position.REJECT, "safe position": Position.SAFE}
BY_ITS_SCORE = ("", PROTECTED, "audit alarm", "stricter by a person")
"""Hold reasons of a fish that was seen well enough to say what it looks like."""


def place(made: GateDecision, held: Held, said: PlantState, classes: tuple[str, ...]) -> Position:
    """Where the gate shall stand for one presentation."""
    if made.action is not Action.HOLD:
        return POSITION_OF[made.action]
    return HELD_AT[held_table(held, said).place(likeliest_class(made, classes))]


def held_table(held: Held, said: PlantState) -> HeldTable:
    """What counts now: a stay that is exceeded before a tank that is full."""
    if said.tank_min > held.stay_max_min:
        return held.stay_exceeded
    return held.tank_full if said.is_tank_full else held.normal


def likeliest_class(made: GateDecision, classes: tuple[str, ...]) -> str:
    """The class that a held fish looks most like; ``""`` where its pictures do not say."""
    if made.hold_reason not in BY_ITS_SCORE or not made.logits.size:
        return ""
    means = made.logits.astype(np.float64).mean(axis=0)
    return classes[int(means.argmax())] if np.isfinite(means).all() else ""
