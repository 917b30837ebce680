"""The numbers behind the what-if page: out-of-fold ``train`` fish, and the demands from which a reader starts.

Comes in: scores and a cutoffs file. Goes out: plain values that the page's own script reads. No score of ``cut`` or
``test`` is among them, so a reader may move what they like without spending anything; and what the page shows are
expectations, never cutoffs to use.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from passage_cv.decision.calibrate import CUT_SHARE
from passage_cv.decision.combine import Individuals, Ints, combine_views, name_codes
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.demands import Demands, demands_in
from passage_cv.decision.guarantee import one_per_trip
from passage_cv.decision.rule import score_with
from passage_cv.decision.sweep import count_in_cut
from passage_cv.evaluation.judging import calibration_of, label_codes
from passage_cv.scores import Scores

MOST_FISH = 3000
"""More fish than this are thinned at random, so that the page stays light and answers at once [ours]."""
DECIMALS = 3
"""Of a log-probability on the page: a cutoff moves by no more than that."""
LEAST_LOG_PROB = -50.0


@dataclass(frozen=True, slots=True)
class WhatIf:
    """``values`` for the page's script, and how many of the ``train`` fish they stand for."""

    values: Mapping[str, Any]
    shown: int
    fish: int


def what_if(scores: Scores, cutoffs: Cutoffs) -> WhatIf | None:
    """Everything the page needs; None where no fish has role ``train`` (formats 3: out-of-fold scores)."""
    if not (scores.role == "train").any():
        return None
    train = combine_views(scores.with_role("train"), cutoffs.views)
    train = train.where(label_codes(train, cutoffs).codes >= 0)
    if not len(train):
        return None
    demands = demands_in(cutoffs)
    fish = train.where(_thinned(train, demands.seed))
    values = {
        "classes": list(cutoffs.classes),
        "groups": [cutoffs.groups[name] for name in cutoffs.classes],
        "excluded": demands.costs.excluded.tolist(),
        "mode": demands.mode,
        "never_reject_above": cutoffs.hold_rules.never_reject_above,
        "delta": _delta_of_all(demands),
        "fish": _fish_values(fish, cutoffs),
        "drawn": _drawn(fish, demands),
        "in_cut": count_in_cut(scores, demands),
        "cut_share": float(scores.meta.get("cut_share", CUT_SHARE)),
        "start": _start(demands),
    }
    return WhatIf(values, shown=len(fish), fish=len(train))


def _thinned(train: Individuals, seed: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    if len(train) <= MOST_FISH:
        return np.ones(len(train), dtype=np.bool_)
    keep = np.zeros(len(train), dtype=np.bool_)
    keep[np.random.default_rng(seed).choice(len(train), MOST_FISH, replace=False)] = True
    return keep


def _fish_values(fish: Individuals, cutoffs: Cutoffs) -> dict[str, Any]:
    """Per fish: its class, whether a rule holds it, its trip, and its log-probabilities or ready gate score."""
    scored = score_with(fish, cutoffs)
    held = scored.held != ""
    values: dict[str, Any] = {
        "label": label_codes(fish, cutoffs).codes.tolist(),
        "held": held.astype(int).tolist(),
        "trip": name_codes(fish.trip).tolist(),
    }
    if fish.is_gate_score:
        values["score"] = np.where(held, 0.0, np.round(scored.score, DECIMALS)).tolist()
    else:
        log_probs = np.maximum(np.nan_to_num(calibration_of(cutoffs).log_probs(fish)), LEAST_LOG_PROB)
        values["logp"] = np.round(log_probs, DECIMALS).tolist()
    return values


def _drawn(fish: Individuals, demands: Demands) -> dict[str, list[int]]:
    """In mode ``trip`` only: for each limit the rows of the one fish per trip that counts."""
    if demands.mode != "trip":
        return {}
    trips, place = name_codes(fish.trip), {name: i for i, name in enumerate(demands.costs.classes)}
    labels = np.array([place[str(label)] for label in fish.label], dtype=np.intp)
    return {
        f"{limit.kind} {limit.code}": _one_per_trip_of(
            demands.costs.excluded[labels] if limit.kind == "pooled miss" else labels == place[limit.code],
            trips,
            demands.seed,
        )
        for limit in demands.limits
    }


def _one_per_trip_of(own: np.ndarray[tuple[int], np.dtype[np.bool_]], trips: Ints, seed: int) -> list[int]:
    rows = np.flatnonzero(own)
    return [int(row) for row in rows[one_per_trip(trips[rows], seed)]]


def _start(demands: Demands) -> dict[str, Any]:
    capacity = demands.capacity
    return {
        "error": demands.costs.error.tolist(),
        "hold": demands.costs.hold.tolist(),
        "shares": demands.costs.shares.tolist(),
        "limits": [{"code": one.code, "kind": one.kind, "rate": one.rate} for one in demands.limits],
        "presentations": capacity.presentations_per_hour if capacity else None,
        "capacity": capacity.hold_per_hour if capacity else None,
    }


def _delta_of_all(demands: Demands) -> float:
    """The chance of a wrong claim before it is halved between the two kinds of limits."""
    kinds = {limit.kind == "false rejection": limit.delta for limit in demands.limits}
    return sum(kinds.values()) if kinds else 0.05
