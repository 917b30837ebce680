"""From a scores file and a site's policy to a cutoffs record: the whole decision stage in order.

Reads role ``train`` for the model calibration, role ``cut`` for the cutoffs, and never role ``test``. Where too
few fish were imaged for a limit, the record says which class and how many are missing, and allows nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from passage_cv.decision.calibration import ModelCalibration, class_index, fit_calibration
from passage_cv.decision.combine import Individuals, combine_views
from passage_cv.decision.costs import ClassCosts, class_costs
from passage_cv.decision.cutoffs import Choice, Costs, cost_at, search_cutoffs
from passage_cv.decision.cutoffs_file import ClassCost, Cutoffs, ExpectedCost, HoldRules, LimitShown
from passage_cv.decision.guarantee import ASSUMES, Cap, miss_cap, rejection_floor
from passage_cv.decision.rule import Scored, score_individuals
from passage_cv.errors import InputError
from passage_cv.policy import ClassRule, Policy
from passage_cv.scores import Scores, Strings

UNKNOWN = "unknown"
"""Label of a fish of no class of the policy: counted at evaluation, never used to set a cutoff."""

CUT_SHARE = 0.4
"""Share of imaged individuals that reach ``cut`` where the scores do not say (architecture, Roles)."""

EPS_OWN_MODEL = 1e-4
"""How far the gate's logits may lie from ours; the cutoffs are moved by it toward hold (decision-method 11)."""


@dataclass(frozen=True, slots=True)
class CutFish:
    """The individuals that set the cutoffs, with their gate scores and weighted costs."""

    individuals: Individuals
    scored: Scored
    costs: Costs


def calibrate(
    scores: Scores,
    policy: Policy,
    *,
    attempt: int = 1,
    author: str = "",
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
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

    Raises
    ------
    InputError
        If the classes differ, a label is no class, a drawing unit stands in two roles, there is no ``cut``
        fish, or more attempts are made than the policy fixed beforehand.

    Notes
    -----
    Assumes: model, crop, views, hold rules and policy were fixed before the ``cut`` scores were read.
    """
    _require_attempt(attempt, policy)
    classes = _require_classes(scores, policy)
    _require_disjoint_units(scores)
    individuals = combine_views(scores, policy.views)
    calibration, warnings = _model_calibration(individuals.with_role("train"), scores)
    costs = class_costs(policy, classes)
    hold_rules = _hold_rules(policy, scores)
    fish, unknown = _cut_fish(individuals.with_role("cut"), calibration, costs, hold_rules, scores.source)
    limits, u_cap, v_floor = _limits(fish, policy, float(scores.meta.get("cut_share", CUT_SHARE)))
    choice = search_cutoffs(fish.scored.to_pass, fish.scored.to_reject, fish.costs, u_cap=u_cap, v_floor=v_floor)
    delta_miss, delta_rejection = policy.deltas
    seen = fish.individuals.text
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
        shares=dict(zip(classes, costs.shares.tolist(), strict=True)),
        costs={
            name: ClassCost(error=float(costs.error[i]), hold=float(costs.hold[i])) for i, name in enumerate(classes)
        },
        views=policy.views,
        hold_rules=hold_rules,
        reject_to=policy.reject_to,
        sites=_distinct(seen["site"]),
        setup_ids=_distinct(seen["setup_id"]),
        u=_finite(choice.u),
        v=_finite(choice.v),
        u_cap=_finite(u_cap),
        v_floor=_finite(v_floor),
        eps=0.0 if scores.kind == "gate_score" else EPS_OWN_MODEL,
        delta_miss=delta_miss,
        delta_rejection=delta_rejection,
        expected_cost=_expected_cost(fish, choice),
        attempt=attempt,
        limits=limits,
        warnings=(*warnings, *_absent(fish, classes), *unknown),
    )


def refused_on_counts(scores: Scores, policy: Policy) -> bool:
    """Whether the number of ``cut`` fish alone already allows nothing, so that no score need be read.

    Such a refusal is no attempt (architecture, Roles): topping up ``cut`` and trying again is valid.
    """
    cut = combine_views(scores.with_role("cut"), policy.views) if (scores.role == "cut").any() else None
    delta_miss, delta_rejection = policy.deltas
    asked = [
        [(rule.code, rule.miss_limit, delta_miss) for rule in policy.classes if rule.miss_limit],
        [
            (rule.code, rule.false_rejection_limit, delta_rejection)
            for rule in policy.classes
            if rule.false_rejection_limit
        ],
    ]
    return all(any(_short(cut, policy, *claim) for claim in claims) for claims in asked)


def _short(cut: Individuals | None, policy: Policy, code: str, limit: float, delta: float) -> bool:
    if cut is None:
        return True
    own = cut.label == code
    zeros = np.zeros(int(own.sum()))
    return miss_cap(zeros, cut.trip[own], limit=limit, delta=delta, mode=policy.mode).rank == 0


def describe_unmet(cutoffs: Cutoffs) -> tuple[str, ...]:
    """One sentence per limit that could not be shown: the class, the numbers and what to do."""
    return tuple(_describe(limit, cutoffs) for limit in cutoffs.unmet)


def _describe(limit: LimitShown, cutoffs: Cutoffs) -> str:
    unit = "individuals" if limit.mode == "fish" else "trips"
    have = limit.n if limit.mode == "fish" else limit.trips
    nothing = "u: null, so nothing passes" if limit.kind == "miss" else "v: null, so nothing is rejected"
    return (
        f"No cutoff keeps the {limit.kind} limit {limit.limit:g} for {limit.class_}: {have} {unit} in role cut, "
        f"{have + limit.missing_in_cut} needed at {limit.confidence:.4g} confidence "
        f"(version {cutoffs.version or 'not given'}). Image about {limit.missing_to_image} more "
        f"({limit.missing_in_cut} of them would reach cut) and accept them before looking at any score; "
        f"the cutoffs file says {nothing}."
    )


def _require_attempt(attempt: int, policy: Policy) -> None:
    if not 1 <= attempt <= policy.attempts:
        raise InputError(
            f"This would be attempt {attempt} on these cut fish; the policy fixed {policy.attempts} beforehand",
            where=f"policy of {policy.site}",
            do="Image new fish: only individuals that enter cut from now on may set another cutoff.",
        )


def _require_classes(scores: Scores, policy: Policy) -> tuple[str, ...]:
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


def _require_disjoint_units(scores: Scores) -> None:
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


def _model_calibration(train: Individuals, scores: Scores) -> tuple[ModelCalibration, tuple[str, ...]]:
    if scores.kind == "gate_score":
        return ModelCalibration(), ("Ready gate scores: no model calibration, shares or costs entered them.",)
    if scores.kind == "prob":
        return ModelCalibration(), ("Probabilities were taken as calibrated.",)
    if len(train) == 0:
        return ModelCalibration(), ("No rows of role train: logits were used as they are (beta 1, no offsets).",)
    return fit_calibration(train), ()


def _hold_rules(policy: Policy, scores: Scores) -> HoldRules:
    above = scores.meta.get("unfamiliarity_above")
    return HoldRules(
        views_min=policy.views.min,
        unfamiliarity_above=None if above is None else float(above),
        never_reject_above={
            rule.code: rule.never_reject_above for rule in policy.classes if rule.never_reject_above is not None
        },
    )


def _cut_fish(
    cut: Individuals, calibration: ModelCalibration, costs: ClassCosts, rules: HoldRules, source: str
) -> tuple[CutFish, tuple[str, ...]]:
    n_unknown = int((cut.label == UNKNOWN).sum())
    cut = cut.where(cut.label != UNKNOWN)
    if len(cut) == 0:
        raise InputError("No individual has role cut", where=source, do="Score the roles train and cut.")
    scored = score_individuals(
        cut,
        calibration,
        costs,
        never_reject_above=rules.never_reject_above,
        unfamiliarity_above=rules.unfamiliarity_above,
    )
    warning = f"{n_unknown} individuals of no class of the policy were left out of setting the cutoffs."
    return CutFish(cut, scored, _weighted_costs(cut, costs)), (warning,) if n_unknown else ()


def _weighted_costs(cut: Individuals, costs: ClassCosts) -> Costs:
    """Cost of each action per individual, weighted so that classes stand at the site's shares."""
    place = {name: i for i, name in enumerate(costs.classes)}
    labels = np.array([place[str(label)] for label in cut.label])
    counts = np.bincount(labels, minlength=len(costs.classes))
    weights = costs.shares[labels] / counts[labels]
    excluded = costs.excluded[labels]
    return Costs(
        on_pass=weights * costs.error[labels] * excluded,
        on_hold=weights * costs.hold[labels],
        on_reject=weights * costs.error[labels] * ~excluded,
    )


def _limits(fish: CutFish, policy: Policy, cut_share: float) -> tuple[tuple[LimitShown, ...], float, float]:
    """Every limit with what was shown, the tightest cap and the tightest floor."""
    delta_miss, delta_rejection = policy.deltas
    seed = int(policy.sha256[:8], 16)
    limits: list[LimitShown] = []
    u_cap, v_floor = math.inf, -math.inf
    for rule in policy.classes:
        own = fish.individuals.label == rule.code
        trips = fish.individuals.trip[own]
        _require_trips(trips, policy, rule)
        if rule.miss_limit is not None:
            cap = miss_cap(
                fish.scored.to_pass[own],
                trips,
                limit=rule.miss_limit,
                delta=delta_miss,
                mode=policy.mode,
                seed=seed,
            )
            u_cap = min(u_cap, cap.cutoff)
            limits.append(_shown(rule.code, "miss", cap, rule.miss_limit, delta_miss, policy, cut_share))
        if rule.false_rejection_limit is not None:
            cap = rejection_floor(
                fish.scored.to_reject[own],
                trips,
                limit=rule.false_rejection_limit,
                delta=delta_rejection,
                mode=policy.mode,
                seed=seed,
            )
            v_floor = max(v_floor, cap.cutoff)
            limits.append(
                _shown(
                    rule.code,
                    "false rejection",
                    cap,
                    rule.false_rejection_limit,
                    delta_rejection,
                    policy,
                    cut_share,
                )
            )
    return tuple(limits), u_cap, v_floor


def _require_trips(trips: Strings, policy: Policy, rule: ClassRule) -> None:
    if policy.mode != "fish" and (trips == "").any():
        raise InputError(
            f"Mode {policy.mode!r} needs the trip of every individual; {int((trips == '').sum())} of {rule.code} "
            "have none",
            where=f"policy of {policy.site}",
            do="Add the trip to the scores, or use mode 'fish' and say so in the report.",
        )


def _shown(
    code: str, kind: str, cap: Cap, limit: float, delta: float, policy: Policy, cut_share: float
) -> LimitShown:
    return LimitShown.model_validate(
        {
            "class": code,
            "kind": kind,
            "n": cap.n,
            "trips": cap.trips,
            "k": cap.rank,
            "limit": limit,
            "confidence": 1 - delta,
            "mode": policy.mode,
            "met": cap.rank > 0,
            "missing_in_cut": cap.missing,
            "missing_to_image": math.ceil(cap.missing / cut_share),
            "assumes": ASSUMES[policy.mode],
        }
    )


def _expected_cost(fish: CutFish, choice: Choice) -> ExpectedCost:
    to_pass, to_reject = fish.scored.to_pass, fish.scored.to_reject
    return ExpectedCost(
        chosen=choice.cost,
        without_limits=search_cutoffs(to_pass, to_reject, fish.costs).cost,
        hold_all=cost_at(to_pass, to_reject, fish.costs, u=-math.inf, v=math.inf),
    )


def _absent(fish: CutFish, classes: tuple[str, ...]) -> tuple[str, ...]:
    if fish.individuals.is_gate_score:
        present = {str(label) for label in fish.individuals.label}
        absent = [name for name in classes if name not in present]
    else:
        counts = np.bincount(class_index(fish.individuals), minlength=len(classes))
        absent = [name for name, count in zip(classes, counts, strict=True) if count == 0]
    return tuple(f"No {name} in role cut: its errors do not enter the expected cost." for name in absent)


def _distinct(column: Strings) -> tuple[str, ...]:
    return tuple(str(value) for value in np.unique(column) if value != "")


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
