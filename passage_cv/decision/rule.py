"""The one place where an action is decided: scores and cutoffs in, pass, hold or reject out.

Pass strictly below u, reject strictly above v, hold otherwise; a hold rule, a missing view or a score that is
not a number always holds. Scores are computed in float64 and compared in float32 with cutoffs rounded toward
hold, as the gate computer does (decision-method 11).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from passage_cv.decision.calibration import ModelCalibration
from passage_cv.decision.combine import Individuals, mean_views
from passage_cv.decision.costs import ClassCosts, gate_scores, site_log_probs
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.errors import InputError
from passage_cv.records import Action
from passage_cv.scores import Floats, Strings
from passage_cv.stats.energy import centred_energy

UNFAMILIAR = "unlike anything the model was shown"
PROTECTED = "may be a protected fish"
NOT_A_NUMBER = "score is not a number"
_ACTIONS = np.array([Action.HOLD, Action.PASS, Action.REJECT], dtype=object)


@dataclass(frozen=True, slots=True)
class Scored:
    """Gate scores of individuals and what the hold rules say of them, arrays of shape (n_individuals,).

    ``held`` is ``""`` or why the fish is held; ``not_rejected`` marks one that is held instead of rejected.
    """

    score: Floats
    held: Strings
    not_rejected: npt.NDArray[np.bool_]

    @property
    def to_pass(self) -> Floats:
        """The score compared with u: +inf for a fish that a rule holds; ``score`` itself where none is."""
        held = self.held != ""
        return np.where(held, np.inf, self.score) if held.any() else self.score

    @property
    def to_reject(self) -> Floats:
        """The score compared with v: -inf for a fish that a rule keeps from being rejected."""
        kept = (self.held != "") | self.not_rejected
        return np.where(kept, -np.inf, self.score) if kept.any() else self.score


@dataclass(frozen=True, slots=True)
class Decision:
    """What the gate is asked to do with one presentation, and why."""

    action: Action
    score: float
    reason: str
    hold_reason: str = ""


def score_individuals(
    individuals: Individuals,
    calibration: ModelCalibration,
    costs: ClassCosts,
    *,
    never_reject_above: dict[str, float],
    unfamiliarity_above: float | None = None,
) -> Scored:
    """Gate score and hold rules of each individual."""
    held = individuals.hold_reason.astype(object)
    if individuals.is_gate_score:
        score = individuals.values[:, 0]
        spared = np.zeros(len(score), dtype=np.bool_)
    else:
        log_probs = calibration.log_probs(individuals)
        score = gate_scores(log_probs, costs)
        spared = _spared(np.exp(site_log_probs(log_probs, costs.shares)), costs.classes, never_reject_above)
    if unfamiliarity_above is not None:
        unfamiliar = ~(individuals.numbers["unfamiliarity"] <= unfamiliarity_above)
        held[(held == "") & unfamiliar] = UNFAMILIAR
    held[(held == "") & _not_numbers(individuals, score)] = "score is not a number"
    return Scored(score=score, held=held.astype(np.str_), not_rejected=spared)


def score_with(individuals: Individuals, cutoffs: Cutoffs) -> Scored:
    """Gate scores as a cutoffs file computes them.

    Raises
    ------
    InputError
        If the scores' classes or kind are not those of the cutoffs.
    """
    kind_fits = individuals.is_gate_score == (cutoffs.score_kind == "gate_score")
    if not kind_fits or (not individuals.is_gate_score and individuals.classes != cutoffs.classes):
        raise InputError(
            f"Scores have classes {list(individuals.classes)}, cutoffs were set for {list(cutoffs.classes)}",
            where="cutoffs",
            do="Score with the model that the cutoffs were set for.",
        )
    return score_individuals(
        individuals,
        ModelCalibration(beta=cutoffs.beta, rho=cutoffs.rho, offsets=cutoffs.offsets),
        cutoffs.class_costs,
        never_reject_above=cutoffs.hold_rules.never_reject_above,
        unfamiliarity_above=cutoffs.gate_unfamiliarity,
    )


def choose_actions(scored: Scored, cutoffs: Cutoffs) -> npt.NDArray[np.object_]:
    """The action of each individual, compared in float32 as on the gate computer."""
    passed = scored.to_pass.astype(np.float32) < cutoffs.gate_u
    rejected = scored.to_reject.astype(np.float32) > cutoffs.gate_v
    return np.asarray(_ACTIONS[np.where(passed, 1, np.where(rejected, 2, 0))])


def decide(
    logits: Floats,
    cutoffs: Cutoffs,
    *,
    hold_reason: str = "",
    unfamiliarity: float | None = None,
    weights: Floats | None = None,
) -> Decision:
    """Decide one presentation from the logits of its views, shape (n_views, n_classes).

    Never raises for a bad view: too few views, a wrong shape, a value that is not a number or a quality weight that
    is not positive holds the fish. ``weights``, one per view, must be those with which the cutoffs were set.
    ``unfamiliarity`` is that of the presentation, see :func:`unfamiliarity_of`. It may be left out where the cutoffs
    take it from the logits; elsewhere, left out, it holds the fish if the cutoffs ask for it.
    """
    views = np.atleast_2d(np.asarray(logits, dtype=np.float64))[: cutoffs.views.max]
    quality = np.ones(len(views)) if weights is None else np.asarray(weights, dtype=np.float64)[: len(views)]
    width = 1 if cutoffs.score_kind == "gate_score" else len(cutoffs.classes)
    if not hold_reason and (views.size == 0 or len(views) < cutoffs.hold_rules.views_min):
        hold_reason = "too few views"
    if views.size == 0 or views.shape[1] != width:
        return Decision(Action.HOLD, float("nan"), "hold rule", hold_reason or "scores do not fit the classes")
    if not hold_reason and not np.isfinite(views).all():
        hold_reason = NOT_A_NUMBER
    if len(quality) != len(views) or not (np.isfinite(quality) & (quality > 0)).all():
        hold_reason, quality = hold_reason or "quality weights do not fit the views", np.ones(len(views))
    far = unfamiliarity_of(views, cutoffs) if unfamiliarity is None else unfamiliarity
    one = _one_individual(views, quality, cutoffs, hold_reason, far)
    scored = score_with(one, cutoffs)
    action = choose_actions(scored, cutoffs)[0]
    return Decision(action, float(scored.score[0]), *_why(action, scored, cutoffs))


def unfamiliarity_of(
    views: npt.NDArray[np.floating[Any]], cutoffs: Cutoffs, *, said: npt.NDArray[np.floating[Any]] | None = None
) -> float:
    """How unlike everything learnt a presentation looks: the mean of the views used.

    Parameters
    ----------
    views
        Logits, shape (n_views, n_classes).
    cutoffs
        Say where it comes from, and how many views are used.
    said
        What the model says of each view, shape (n_views,); read where the cutoffs take it from the model.

    Returns
    -------
    float
        NaN where there is no view, or where nothing that was given tells.
    """
    source = cutoffs.hold_rules.unfamiliarity_from
    of_views = said if source == "model" else centred_energy(views) if source == "logits" else None
    if of_views is None or not len(of_views):
        return math.nan
    return float(np.mean(of_views[: cutoffs.views.max].astype(np.float64)))


def _one_individual(
    views: Floats, quality: Floats, cutoffs: Cutoffs, hold_reason: str, unfamiliarity: float
) -> Individuals:
    return Individuals(
        classes=cutoffs.classes if cutoffs.score_kind != "gate_score" else (),
        is_gate_score=cutoffs.score_kind == "gate_score",
        values=mean_views(views, quality, np.zeros(1, dtype=np.intp), floor=cutoffs.views.floor),
        n_views=np.array([len(views)], dtype=np.intp),
        first_row=np.zeros(1, dtype=np.intp),
        text={},
        numbers={"unfamiliarity": np.array([unfamiliarity])},
        hold_reason=np.array([hold_reason], dtype=np.str_),
    )


def _why(action: Action, scored: Scored, cutoffs: Cutoffs) -> tuple[str, str]:
    """(reason, hold reason) in words."""
    held = str(scored.held[0])
    if held:
        return "hold rule", held
    if action is Action.PASS:
        return "score below the pass cutoff", ""
    if action is Action.REJECT:
        return "score above the reject cutoff", ""
    if scored.not_rejected[0] and np.float32(scored.score[0]) > cutoffs.gate_v:
        return "hold rule", PROTECTED
    return "score between the cutoffs", ""


def _not_numbers(individuals: Individuals, score: Floats) -> npt.NDArray[np.bool_]:
    """Where the score, or a logit behind it, is no finite number: an infinite logit is a fault, not a conviction."""
    if individuals.is_gate_score:
        return np.isnan(score)
    return np.isnan(score) | ~np.isfinite(individuals.values).all(axis=1)


def _spared(probs: Floats, classes: tuple[str, ...], limits: dict[str, float]) -> npt.NDArray[np.bool_]:
    spared = np.zeros(len(probs), dtype=np.bool_)
    for name, limit in limits.items():
        spared |= probs[:, classes.index(name)] >= limit
    return spared
