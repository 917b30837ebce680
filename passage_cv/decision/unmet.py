"""Where a demand cannot be met: which one, by how much, and what a person can do about it.

Comes in: a cutoffs record, or the counts of ``cut`` fish before any score is read. Goes out: sentences, a yes or no.
"""

from __future__ import annotations

import numpy as np

from passage_cv.decision.combine import Individuals, combine_views, name_codes
from passage_cv.decision.cutoffs_file import Cutoffs, LimitShown
from passage_cv.decision.demands import Demands, Limit, demands_of
from passage_cv.decision.guarantee import miss_cap
from passage_cv.policy import Policy
from passage_cv.scores import Scores


def refused_on_counts(scores: Scores, policy: Policy) -> bool:
    """Whether the number of ``cut`` fish alone already allows nothing, so that no score need be read.

    Such a refusal is no attempt (architecture, Roles): topping up ``cut`` and trying again is valid.
    """
    demands = demands_of(policy, policy.codes)
    on_rejecting = [limit for limit in demands.limits if limit.kind == "false rejection"]
    on_passing = [limit for limit in demands.limits if limit.kind != "false rejection"]
    cut = combine_views(scores.with_role("cut"), policy.views) if (scores.role == "cut").any() else None
    return all(
        any(cut is None or _too_few(cut, limit, demands) for limit in limits) for limits in (on_passing, on_rejecting)
    )


def describe_unmet(cutoffs: Cutoffs) -> tuple[str, ...]:
    """One sentence per limit that could not be shown: the class, the numbers and what to do."""
    return tuple(_describe(limit, cutoffs) for limit in cutoffs.unmet)


def describe_overload(cutoffs: Cutoffs) -> str:
    """What is said where the limits leave more fish to hold than the crew can clear; else nothing."""
    load = cutoffs.hold_load
    if load is None or load.met is not False or load.presentations_per_hour is None:
        return ""
    least = load.least_share * load.presentations_per_hour
    return (
        f"The crew can clear {load.capacity_per_hour:g} held fish per hour, but of {load.presentations_per_hour:g} "
        f"fish the limits leave at least {least:.1f} to hold, and these cutoffs hold {load.per_hour:.1f}. The limits "
        "were kept and the capacity given up: clear more per hour, let fewer fish come, or image more fish of the "
        "limited classes, so that fewer need be held."
    )


def _too_few(cut: Individuals, limit: Limit, demands: Demands) -> bool:
    pooled = [name for name, excluded in zip(demands.costs.classes, demands.costs.excluded, strict=True) if excluded]
    own = np.isin(cut.label, pooled if limit.kind == "pooled miss" else [limit.code])
    trips = name_codes(cut.trip[own])
    if demands.mode != "fish" and (trips < 0).any():
        return False  # calibrate refuses it, and says why
    cap = miss_cap(np.zeros(int(own.sum())), trips, limit=limit.rate, delta=limit.delta, mode=demands.mode)
    return cap.rank == 0


def _describe(limit: LimitShown, cutoffs: Cutoffs) -> str:
    unit = "individuals" if limit.mode == "fish" else "trips"
    have = limit.n if limit.mode == "fish" else limit.trips
    nothing = "v: null, so nothing is rejected" if limit.kind == "false rejection" else "u: null, so nothing passes"
    return (
        f"No cutoff keeps the {limit.kind} limit {limit.limit:g} for {limit.class_}: {have} {unit} in role cut, "
        f"{have + limit.missing_in_cut} needed at {limit.confidence:.4g} confidence "
        f"(version {cutoffs.version or 'not given'}). Image about {limit.missing_to_image} more "
        f"({limit.missing_in_cut} of them would reach cut) and accept them before looking at any score; "
        f"the cutoffs file says {nothing}."
    )
