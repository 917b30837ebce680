"""Find the two cutoffs of least expected cost under a cap and a floor (decision-method 7).

Comes in: gate scores of ``cut`` individuals with their costs. Goes out: u and v with the cost they reach. The
cap and the floor come from ``guarantee``; this module makes no claim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from passage_cv.scores import Floats

_TIE = 1e-12


@dataclass(frozen=True, slots=True)
class Costs:
    """What each action costs for each individual, already weighted; arrays of shape (n_individuals,)."""

    on_pass: Floats
    on_hold: Floats
    on_reject: Floats


@dataclass(frozen=True, slots=True)
class Choice:
    """Two cutoffs: pass strictly below ``u``, reject strictly above ``v``; ``cost`` is expected per fish.

    ``u`` is -inf and ``v`` +inf only where nothing may be passed or rejected.
    """

    u: float
    v: float
    cost: float


def search_cutoffs(
    to_pass: Floats,
    to_reject: Floats,
    costs: Costs,
    *,
    u_cap: float = math.inf,
    v_floor: float = -math.inf,
) -> Choice:
    """The pair u <= v, u <= ``u_cap``, v >= ``v_floor`` of least cost; at equal cost larger v, then smaller u.

    Parameters
    ----------
    to_pass, to_reject
        Gate scores compared with u and with v. They differ only for individuals that a rule fixed beforehand
        holds: +inf in ``to_pass``, -inf in ``to_reject``.
    costs
        Weighted cost of each action per individual.

    Notes
    -----
    Sorts once; candidates are the distinct scores, the cap, the floor and one value beyond each end.

    Examples
    --------
    Decision-method 13, example 11:

    >>> excluded, wanted = [1.2, 1.9, 2.5, 2.5, 3.4], [-0.5, 0, 0.3, 0.8, 1.2, 1.9, 2.6]
    >>> scores = np.array(excluded + wanted)
    >>> is_excluded = np.arange(12) < 5
    >>> weight = np.where(is_excluded, 0.3 / 5, 0.7 / 7)
    >>> costs = Costs(weight * 20 * is_excluded, weight * 1.0, weight * 5 * ~is_excluded)
    >>> choice = search_cutoffs(scores, scores, costs)
    >>> choice.u, choice.v, round(choice.cost, 12)
    (1.2, 2.6, 0.54)
    """
    passing = _Steps.below(to_pass, costs.on_pass - costs.on_hold)
    rejecting = (
        passing.with_gains(costs.on_reject - costs.on_hold)
        if to_reject is to_pass
        else _Steps.below(to_reject, costs.on_reject - costs.on_hold)
    )
    candidates = _candidates(passing.scores, rejecting.scores, u_cap, v_floor)
    base = float(costs.on_hold.sum())
    scale = float(np.abs(costs.on_pass).sum() + base + np.abs(costs.on_reject).sum())
    f = np.where(candidates <= u_cap, passing.gain_below(candidates), np.inf)
    g = np.where(candidates >= v_floor, rejecting.gain_above(candidates), np.inf)
    best_f = np.minimum.accumulate(f)
    total = best_f + g
    least = float(total.min())
    v_place = int(np.flatnonzero(total <= least + _TIE * scale)[-1])
    u_place = int(np.flatnonzero(f[: v_place + 1] <= best_f[v_place] + _TIE * scale)[0])
    return Choice(u=float(candidates[u_place]), v=float(candidates[v_place]), cost=base + least)


def cost_at(to_pass: Floats, to_reject: Floats, costs: Costs, *, u: float, v: float) -> float:
    """Expected cost of two given cutoffs."""
    chosen = np.where(to_pass < u, costs.on_pass, np.where(to_reject > v, costs.on_reject, costs.on_hold))
    return float(chosen.sum())


@dataclass(frozen=True, slots=True)
class _Steps:
    """Sorted finite scores with running sums of what leaving the hold gains."""

    scores: Floats
    sums: Floats
    order: np.ndarray[tuple[int], np.dtype[np.intp]]

    @classmethod
    def below(cls, scores: Floats, gains: Floats) -> _Steps:
        order = np.argsort(scores)
        ranked = scores[order]
        first, last = (
            np.searchsorted(ranked, [-np.inf, np.inf], side="right")[0],
            np.searchsorted(ranked, np.inf),
        )
        order = order[first:last]
        return cls(ranked[first:last], _running(gains[order]), order)

    def with_gains(self, gains: Floats) -> _Steps:
        return _Steps(self.scores, _running(gains[self.order]), self.order)

    def gain_below(self, cutoffs: Floats) -> Floats:
        return np.asarray(self.sums[np.searchsorted(self.scores, cutoffs, side="left")])

    def gain_above(self, cutoffs: Floats) -> Floats:
        return np.asarray(self.sums[-1] - self.sums[np.searchsorted(self.scores, cutoffs, side="right")])


def _running(gains: Floats) -> Floats:
    sums = np.zeros(len(gains) + 1)
    np.cumsum(gains, out=sums[1:])
    return sums


def _candidates(first: Floats, second: Floats, u_cap: float, v_floor: float) -> Floats:
    """Every place where a cost can change, one beyond each end, and -inf / +inf for "nothing allowed"."""
    scores = first if second is first else np.union1d(first, second)
    if len(scores) and second is first:
        scores = scores[np.append(True, scores[1:] != scores[:-1])]
    limits = [cutoff for cutoff in (u_cap, v_floor) if math.isfinite(cutoff)]
    if limits:
        scores = np.union1d(scores, limits)
    if not len(scores):
        return np.array([-math.inf, math.inf])
    ends = [np.nextafter(scores[0], -math.inf)], [np.nextafter(scores[-1], math.inf)]
    nothing_passes = [-math.inf] if u_cap == -math.inf else []
    nothing_rejected = [math.inf] if v_floor == math.inf else []
    return np.concatenate([nothing_passes, ends[0], scores, ends[1], nothing_rejected])
