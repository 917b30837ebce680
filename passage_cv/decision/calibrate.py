"""From a scores file and a site's policy to a cutoffs record: the whole decision stage in order.

Reads role ``train`` for the model calibration, role ``cut`` for the cutoffs, and never role ``test``. Where too
few fish were imaged for a limit, the record says which class and how many are missing, and allows nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from datetime import UTC, datetime

import numpy as np

from passage_cv.decision.calibration import ModelCalibration, every_fish_ranked_right, fit_calibration
from passage_cv.decision.combine import Individuals, combine_views
from passage_cv.decision.cutoffs_file import ClassCost, Cutoffs, ExpectedCost, HoldLoad, LimitShown
from passage_cv.decision.demands import Demands, Limit, demands_of
from passage_cv.decision.guarantee import ASSUMES, Cap
from passage_cv.decision.outcome import Outcome, weigh
from passage_cv.decision.refusals import (
    UNKNOWN,
    require_attempt,
    require_classes,
    require_disjoint_units,
    require_floor_fits,
    require_trips,
)
from passage_cv.decision.unknown import unknown_rule
from passage_cv.errors import InputError
from passage_cv.policy import Policy
from passage_cv.progress import Progress, silent
from passage_cv.scores import Scores, Strings

CUT_SHARE = 0.4
"""Share of imaged individuals that reach ``cut`` where the scores do not say (architecture, Roles)."""

EPS_OWN_MODEL = 1e-4
"""How far the gate's logits may lie from ours; the cutoffs are moved by it toward hold (decision-method 11)."""

ANY_CUTOFF = float(np.finfo(np.float32).max)
"""Written for a cap that no finite cutoff can exceed: every fish of the class is held by a rule."""

WEIGHTED = "Views have quality weights: the limits hold only for a gate that gives its views the same weights."

UNCOUNTED = (
    "No store was given, so no ledger counted this look at role cut: the limits hold only if no other policy and no "
    "other model was tried on these fish before."
)


def calibrate(
    scores: Scores,
    policy: Policy,
    *,
    attempt: int = 1,
    spent: Collection[str] | None = None,
    author: str = "",
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    progress: Progress = silent,
) -> Cutoffs:
    """Find u and v of least expected cost under every limit of the policy.

    Parameters
    ----------
    scores
        Roles ``train`` (out of fold) and ``cut``; rows of ``test`` are not looked at.
    policy
        The site's; its classes must be those of the scores.
    attempt
        Which (model, policy) pair this is on these ``cut`` fish, from the store's ledger.
    spent
        Individuals of ``cut`` that earlier attempts have used up; they are left out. None where that is not known:
        then only the attempts that the policy fixed beforehand are allowed, and the record warns of it.

    Raises
    ------
    InputError
        If the classes differ, a label is no class, a drawing unit stands in two roles, there is no ``cut``
        fish, or more attempts are made than the policy fixed beforehand.

    Notes
    -----
    Assumes: model, crop, views, hold rules and policy were fixed before the ``cut`` scores were read.
    """
    require_attempt(attempt, policy, spent)
    classes = require_classes(scores, policy)
    require_disjoint_units(scores)
    require_floor_fits(scores, policy)
    scores, used_up = _without_spent(scores, spent or ())
    individuals = combine_views(scores, policy.views)
    weighted = len(np.unique(scores.numbers["view_weight"])) > 1
    calibration, warnings = model_calibration(individuals.with_role("train"), scores, progress)
    cut, unknown = _known_fish(individuals.with_role("cut"), scores.source)
    require_trips(cut, policy)
    rule, said = unknown_rule(individuals.with_role("train"), scores, policy)
    demands = demands_of(policy, classes, unknown=rule)
    outcome = weigh(cut, calibration, demands)
    share = float(scores.meta.get("cut_share", CUT_SHARE))
    limits = [_shown(limit, cap, policy, share) for limit, cap in outcome.caps]
    delta_miss, delta_rejection = policy.deltas
    return Cutoffs(
        created=now().isoformat(timespec="seconds"),
        author=author,
        site=policy.site,
        policy_sha256=policy.sha256,
        scores_sha256=scores.sha256,
        model=str(scores.meta.get("model_sha256", "")),
        version=str(scores.meta.get("version", "")),
        score_kind=scores.kind,
        classes=classes,
        groups=policy.groups,
        beta=calibration.beta,
        rho=calibration.rho,
        offsets=dict(calibration.offsets),
        shares=dict(zip(classes, demands.costs.shares.tolist(), strict=True)),
        costs=_class_costs(demands),
        views=policy.views,
        hold_rules=demands.rules,
        reject_to=policy.reject_to,
        sites=_distinct(cut.text["site"]),
        setup_ids=_distinct(cut.text["setup_id"]),
        u=_finite(outcome.choice.u),
        v=_finite(outcome.choice.v),
        u_cap=_bound(outcome.u_cap, allows_all=math.inf),
        v_floor=_bound(outcome.v_floor, allows_all=-math.inf),
        eps=0.0 if scores.kind == "gate_score" else EPS_OWN_MODEL,
        delta_miss=delta_miss,
        delta_rejection=delta_rejection,
        expected_cost=ExpectedCost(
            chosen=outcome.choice.cost, without_limits=outcome.without_limits, hold_all=outcome.hold_all
        ),
        attempt=attempt,
        limits=tuple(limit for limit in limits if limit.kind != "pooled miss"),
        warnings=(
            *([UNCOUNTED] if spent is None else []),
            *used_up,
            *warnings,
            *said,
            *([WEIGHTED] if weighted else []),
            *_absent(cut, classes),
            *unknown,
            *_pool_warning(cut, policy),
        ),
        pooled_limit=next((limit for limit in limits if limit.kind == "pooled miss"), None),
        hold_load=_hold_load(outcome, demands),
        quality_weights=weighted,
        confirmed_only=policy.confirmed_only,
    )


def model_calibration(
    train: Individuals, scores: Scores, progress: Progress = silent
) -> tuple[ModelCalibration, tuple[str, ...]]:
    """The model calibration that role ``train`` gives, and what a reader should know where it gives none."""
    if scores.kind == "gate_score":
        return ModelCalibration(), ("Ready gate scores: no model calibration, shares or costs entered them.",)
    if scores.kind == "prob":
        return ModelCalibration(), ("Probabilities were taken as calibrated.",)
    if len(train) == 0:
        return ModelCalibration(), ("No rows of role train: logits were used as they are (beta 1, no offsets).",)
    found = fit_calibration(train, progress=progress)
    if not every_fish_ranked_right(train):
        return found, ()
    return found, (
        f"Every training fish is ranked right out of fold: how sure to be (beta {found.beta:.1f}) is a guess.",
    )


def _without_spent(scores: Scores, spent: Collection[str]) -> tuple[Scores, tuple[str, ...]]:
    gone = (scores.role == "cut") & np.isin(scores.individual, sorted(spent))
    n_gone, n_cut = len(np.unique(scores.individual[gone])), len(np.unique(scores.individual[scores.role == "cut"]))
    if not n_gone:
        return scores, ()
    if n_gone == n_cut:
        raise InputError(
            f"All {n_cut} individuals of role cut have set a cutoff for an earlier attempt",
            where=scores.source,
            do="Image new fish: only individuals that enter cut from now on may set another cutoff.",
        )
    return scores.where(~gone), (
        f"{n_gone} of {n_cut} individuals of role cut were left out: an earlier attempt has read them.",
    )


def _known_fish(cut: Individuals, source: str) -> tuple[Individuals, tuple[str, ...]]:
    n_unknown = int((cut.label == UNKNOWN).sum())
    cut = cut.where(cut.label != UNKNOWN)
    if len(cut) == 0:
        raise InputError("No individual has role cut", where=source, do="Score the roles train and cut.")
    warning = f"{n_unknown} individuals of no class of the policy were left out of setting the cutoffs."
    return cut, (warning,) if n_unknown else ()


def _shown(limit: Limit, cap: Cap, policy: Policy, cut_share: float) -> LimitShown:
    return LimitShown.model_validate(
        {
            "class": limit.code,
            "kind": limit.kind,
            "n": cap.n,
            "trips": cap.trips,
            "k": cap.rank,
            "limit": limit.rate,
            "confidence": 1 - limit.delta,
            "mode": policy.mode,
            "met": cap.rank > 0,
            "missing_in_cut": cap.missing,
            "missing_to_image": math.ceil(cap.missing / cut_share),
            "assumes": ASSUMES[policy.mode],
        }
    )


def _class_costs(demands: Demands) -> dict[str, ClassCost]:
    costs = demands.costs
    columns = zip(costs.classes, costs.error.tolist(), costs.hold.tolist(), strict=True)
    return {name: ClassCost(error=error, hold=hold) for name, error, hold in columns}


def _hold_load(outcome: Outcome, demands: Demands) -> HoldLoad:
    hold, capacity = outcome.hold, demands.capacity
    if capacity is None:
        return HoldLoad(share=hold.share, least_share=hold.least)
    fish = capacity.presentations_per_hour
    return HoldLoad(
        share=hold.share,
        least_share=hold.least,
        presentations_per_hour=fish,
        per_hour=hold.share * fish,
        capacity_per_hour=capacity.hold_per_hour,
        met=hold.met,
        price_per_hour=None if hold.price is None else hold.price * fish,
        next_fish_per_hour=None if hold.next_fish is None else hold.next_fish * fish,
    )


def _absent(cut: Individuals, classes: tuple[str, ...]) -> tuple[str, ...]:
    present = set(np.unique(cut.label).tolist())
    absent = [name for name in classes if name not in present]
    return tuple(f"No {name} in role cut: its errors do not enter the expected cost." for name in absent)


def _pool_warning(cut: Individuals, policy: Policy) -> tuple[str, ...]:
    if policy.pooled_miss_limit is None:
        return ()
    counts = {rule.code: int((cut.label == rule.code).sum()) for rule in policy.in_group("exclude")}
    mix = ", ".join(f"{code} {count}" for code, count in counts.items())
    return (
        "The limit on the excluded classes together holds only while their mix stays as it was imaged "
        f"({mix} fish in role cut). A limit per class holds for any mix.",
    )


def _distinct(column: Strings) -> tuple[str, ...]:
    return tuple(str(value) for value in np.unique(column) if value != "")


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _bound(value: float, *, allows_all: float) -> float | None:
    """A cap or floor as it is written: null where it allows nothing, a number where it allows everything."""
    if value == allows_all:
        return math.copysign(ANY_CUTOFF, value)
    return _finite(value)
