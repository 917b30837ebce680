"""What calibrate refuses to start with, each with the place a person can open and one instruction.

Everything here would make a demonstrated limit void or meaningless; none of it is a warning.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from passage_cv.decision.combine import Individuals
from passage_cv.errors import InputError
from passage_cv.policy import Policy
from passage_cv.scores import Scores

UNKNOWN = "unknown"
"""Label of a fish of no class of the policy: counted at evaluation, never used to set a cutoff."""


def require_attempt(attempt: int, policy: Policy, spent: Collection[str] | None) -> None:
    """Refuse an attempt beyond those fixed beforehand where it is not known which fish the earlier ones read."""
    if attempt >= 1 and (spent is not None or attempt <= policy.attempts):
        return
    raise InputError(
        f"This would be attempt {attempt} on these cut fish; the policy fixed {policy.attempts} beforehand",
        where=f"policy of {policy.site}",
        do="Image new fish: only individuals that enter cut from now on may set another cutoff.",
    )


def require_classes(scores: Scores, policy: Policy) -> tuple[str, ...]:
    """The class order: that of the scores, or of the policy for ready gate scores."""
    classes = policy.codes if scores.kind == "gate_score" else scores.classes
    if set(classes) != set(policy.codes):
        missing, extra = sorted(set(policy.codes) - set(classes)), sorted(set(classes) - set(policy.codes))
        raise InputError(
            f"Scores and policy have different classes: only in the policy {missing}, only in the scores {extra}",
            where=f"{scores.source}; policy of {policy.site}",
            do="Train on the policy's classes, or add the class to the policy.",
        )
    known = np.isin(scores.label, [*classes, UNKNOWN])
    if not known.all():
        row = int(np.flatnonzero(~known)[0])
        raise InputError(
            f"class is {str(scores.label[row])!r} in row {row + 2}, allowed are {', '.join(classes)} and {UNKNOWN}",
            where=scores.source,
            do="Correct the label.",
        )
    return classes


def require_disjoint_units(scores: Scores) -> None:
    """A drawing unit in two roles would make the limits void; the store excludes it at accept."""
    if scores.meta.get("unit", "individual") != "trip":
        return
    used = np.isin(scores.role, ["train", "cut", "test"]) & (scores.text["trip"] != "")
    pairs = np.unique(np.stack([scores.text["trip"][used], scores.role[used]]), axis=1)
    trips, counts = np.unique(pairs[0], return_counts=True)
    if (counts > 1).any():
        trip = trips[counts > 1][0]
        roles = ", ".join(pairs[1][pairs[0] == trip])
        raise InputError(
            f"Trip {trip} stands in the roles {roles}",
            where=scores.source,
            do="Score a version of the store, where each trip has one role; this file promises nothing.",
        )


def require_trips(cut: Individuals, policy: Policy) -> None:
    """The trip modes need the trip of every fish of a limited class."""
    if policy.mode == "fish":
        return
    pooled = policy.pooled_miss_limit is not None
    for rule in policy.classes:
        limited = rule.miss_limit or rule.false_rejection_limit or (pooled and rule.policy == "exclude")
        without = int((cut.trip[cut.label == rule.code] == "").sum())
        if limited and without:
            raise InputError(
                f"Mode {policy.mode!r} needs the trip of every individual; {without} of {rule.code} have none",
                where=f"policy of {policy.site}",
                do="Add the trip to the scores, or use mode 'fish' and say so in the report.",
            )


def require_floor_fits(scores: Scores, policy: Policy) -> None:
    """A floor under a view's probabilities means nothing for ready gate scores."""
    if policy.views.floor is not None and scores.kind == "gate_score":
        raise InputError(
            f"views.floor is {policy.views.floor:g}, but ready gate scores have no class probabilities",
            where=f"policy of {policy.site}",
            do="Leave floor out, or give logits or probabilities.",
        )
