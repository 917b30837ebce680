"""Find the two cutoffs of least expected cost under a cap and a floor (decision-method 7).

Comes in: gate scores of individuals with their costs. Goes out: u and v with the cost they reach, within the share
that a crew can clear where that is asked. The cap and the floor come from ``guarantee``; this module makes no claim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from passage_cv.decision.combine import Ints
from passage_cv.scores import Floats

Bools = npt.NDArray[np.bool_]

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
    A fish that is neither passed nor rejected whatever its score has no score here.

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
    grid = _Grid.of(to_pass, to_reject, costs, u_cap=u_cap, v_floor=v_floor)
    best_f = np.minimum.accumulate(grid.f)
    return grid.choice(best_f, np.zeros(len(best_f), dtype=np.intp))


def search_within_capacity(
    to_pass: Floats,
    to_reject: Floats,
    costs: Costs,
    weights: Floats,
    *,
    most_held: float,
    u_cap: float = math.inf,
    v_floor: float = -math.inf,
) -> Choice | None:
    """As :func:`search_cutoffs`, with at most a share of presentations held; None where the limits forbid it.

    Parameters
    ----------
    weights
        Share of presentations that each individual stands for; sum 1.
    most_held
        Largest share that may be held, fish that a rule holds included.

    Notes
    -----
    The share passed never falls with u and the share rejected never rises with v, so for every v the allowed u form
    a window of candidates: a sliding minimum finds the exact optimum, where a hold cost raised until it fits would
    find only some of the pairs.

    Examples
    --------
    >>> scores = np.array([0.0, 1.0, 2.0, 3.0])
    >>> costs = Costs(np.array([0, 9, 9, 9]) / 4, np.ones(4) / 4, np.array([8, 8, 8, 0]) / 4)
    >>> free = search_cutoffs(scores, scores, costs)
    >>> tight = search_within_capacity(scores, scores, costs, np.full(4, 0.25), most_held=0.25)
    >>> (free.u, free.v, free.cost), (tight.u, tight.v, tight.cost)
    ((1.0, 2.0, 0.5), (1.0, 1.0, 2.25))
    """
    grid = _Grid.of(to_pass, to_reject, costs, u_cap=u_cap, v_floor=v_floor)
    passed, rejected = grid.line.passing(weights), grid.line.rejecting(weights)
    needed = float(weights.sum()) - most_held - rejected
    first = np.minimum(np.searchsorted(passed, needed - _TIE, side="left"), len(passed))
    best_f = _window_minimum(grid.f, first)
    return grid.choice(best_f, first) if np.isfinite(best_f + grid.g).any() else None


def least_held(
    to_pass: Floats, to_reject: Floats, weights: Floats, *, u_cap: float = math.inf, v_floor: float = -math.inf
) -> float:
    """The smallest share of presentations that is held under a cap and a floor, whatever it costs.

    Examples
    --------
    >>> scores = np.array([0.0, 1.0, 2.0, 3.0])
    >>> least_held(scores, scores, np.full(4, 0.25), u_cap=1.0, v_floor=2.0)
    0.5
    """
    line = _Line.of(to_pass, to_reject, u_cap=u_cap, v_floor=v_floor)
    passed = np.maximum.accumulate(np.where(line.candidates <= u_cap, line.passing(weights), 0.0))
    decided = passed + np.where(line.candidates >= v_floor, line.rejecting(weights), -np.inf)
    return max(0.0, float(weights.sum() - decided.max()))


def cost_at(to_pass: Floats, to_reject: Floats, costs: Costs, *, u: float, v: float) -> float:
    """Expected cost of two given cutoffs."""
    chosen = np.where(to_pass < u, costs.on_pass, np.where(to_reject > v, costs.on_reject, costs.on_hold))
    return float(chosen.sum())


def held_share(to_pass: Floats, to_reject: Floats, weights: Floats, choice: Choice) -> float:
    """Share of presentations that two cutoffs hold."""
    return float(weights[~((to_pass < choice.u) | (to_reject > choice.v))].sum())


@dataclass(frozen=True, slots=True)
class _Line:
    """Every place where a cost can change, in rising order, over individuals sorted once by their score.

    ``below`` and ``upto`` count the individuals strictly below and at or below each candidate. An individual that is
    never passed (or never rejected) keeps its place in the order and gains nothing.
    """

    candidates: Floats
    below: Ints
    upto: Ints
    order: Ints
    passable: Bools
    rejectable: Bools

    @classmethod
    def of(cls, to_pass: Floats, to_reject: Floats, *, u_cap: float, v_floor: float) -> _Line:
        passable, rejectable = to_pass < np.inf, to_reject > -np.inf
        score = to_pass if passable.all() else np.where(passable, to_pass, to_reject)
        order = np.argsort(score)
        order = order[np.searchsorted(score, -np.inf, side="right", sorter=order) :]  # held altogether
        ranked = score[order]
        below = np.flatnonzero(np.append(True, ranked[1:] != ranked[:-1])) if len(ranked) else np.empty(0, np.intp)
        line = cls(ranked[below], below, np.append(below[1:], len(ranked)), order, passable, rejectable)
        return line._with_ends(ranked, u_cap, v_floor)

    def _with_ends(self, ranked: Floats, u_cap: float, v_floor: float) -> _Line:
        """Add the cap, the floor, a place beyond each extreme score, and -inf / +inf where nothing is allowed."""
        if not len(ranked):
            nowhere = np.zeros(2, dtype=np.intp)
            return replace(self, candidates=np.array([-math.inf, math.inf]), below=nowhere, upto=nowhere)
        limits = np.array([cutoff for cutoff in (u_cap, v_floor) if math.isfinite(cutoff)])
        known = np.append(self.candidates[[0, -1]], limits)
        extra = [*limits, np.nextafter(known.min(), -math.inf), np.nextafter(known.max(), math.inf)]
        extra += [-math.inf] if u_cap == -math.inf else []
        extra += [math.inf] if v_floor == math.inf else []
        added = np.setdiff1d(extra, self.candidates[np.searchsorted(self.candidates[:-1], extra)])
        places = np.searchsorted(self.candidates, added)
        return replace(
            self,
            candidates=np.insert(self.candidates, places, added),
            below=np.insert(self.below, places, np.searchsorted(ranked, added, side="left")),
            upto=np.insert(self.upto, places, np.searchsorted(ranked, added, side="right")),
        )

    def passing(self, gains: Floats) -> Floats:
        """Summed gains of all that are passed with u at each candidate."""
        return np.asarray(_running(np.where(self.passable, gains, 0.0)[self.order])[self.below])

    def rejecting(self, gains: Floats) -> Floats:
        """Summed gains of all that are rejected with v at each candidate."""
        sums = _running(np.where(self.rejectable, gains, 0.0)[self.order])
        return np.asarray(sums[-1] - sums[self.upto])


@dataclass(frozen=True, slots=True)
class _Grid:
    """What u and v at each candidate gain over holding (``f``, ``g``); inf where it is not allowed."""

    line: _Line
    f: Floats
    g: Floats
    base: float
    scale: float

    @classmethod
    def of(cls, to_pass: Floats, to_reject: Floats, costs: Costs, *, u_cap: float, v_floor: float) -> _Grid:
        line = _Line.of(to_pass, to_reject, u_cap=u_cap, v_floor=v_floor)
        base = float(costs.on_hold.sum())
        return cls(
            line=line,
            f=np.where(line.candidates <= u_cap, line.passing(costs.on_pass - costs.on_hold), np.inf),
            g=np.where(line.candidates >= v_floor, line.rejecting(costs.on_reject - costs.on_hold), np.inf),
            base=base,
            scale=float(np.abs(costs.on_pass).sum() + base + np.abs(costs.on_reject).sum()),
        )

    def choice(self, best_f: Floats, first: Ints) -> Choice:
        """The cheapest pair, given for each v the least f among the u from ``first`` up to v; ties as documented."""
        total = best_f + self.g
        least, tie = float(total.min()), _TIE * self.scale
        v = int(np.flatnonzero(total <= least + tie)[-1])
        u = int(first[v] + np.flatnonzero(self.f[first[v] : v + 1] <= best_f[v] + tie)[0])
        candidates = self.line.candidates
        return Choice(u=float(candidates[u]), v=float(candidates[v]), cost=self.base + least)


def _running(gains: Floats) -> Floats:
    sums = np.zeros(len(gains) + 1)
    np.cumsum(gains, out=sums[1:])
    return sums


def _window_minimum(values: Floats, first: Ints) -> Floats:
    """Least of ``values[first[j] : j + 1]`` for every j; inf where that is empty.

    Windows of a length between two powers of two are the union of two windows of the smaller power.
    """
    ends = np.arange(len(values))
    lengths = ends - first + 1
    out = np.full(len(values), np.inf)
    span, least = 1, values  # least[i] is the minimum of values[i : i + span]
    while span <= lengths.max(initial=0):
        own = np.flatnonzero((lengths >= span) & (lengths < 2 * span))
        out[own] = np.minimum(least[first[own]], least[ends[own] - span + 1])
        least = np.minimum(least[:-span], least[span:]) if span < len(least) else least
        span *= 2
    return out
