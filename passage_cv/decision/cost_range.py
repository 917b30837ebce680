"""Does it matter? What the cutoffs do over the whole range of the costs that people named.

Comes in: ``train`` fish, the policy's demands and a range per cost. Goes out: cutoffs and the share of fish treated
otherwise, at both ends of every range and with all of them moved together. Reads no score of ``cut``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from passage_cv.decision.asking import CostRange
from passage_cv.decision.demands import Demands
from passage_cv.decision.outcome import Outcome, weigh, weigh_fish
from passage_cv.decision.sweep import Trial

DRAWS = 100
"""Sets of costs drawn log-uniformly from all ranges at once [ours]."""


@dataclass(frozen=True, slots=True)
class Ends:
    """One cost at the low and at the high end of its range, every other at its likely value.

    ``moved`` is the share of presentations, at the site's shares, that would be treated otherwise than with all costs
    at their likely values: at the low end, at the high end.
    """

    about: str
    kind: str
    low: float
    likely: float
    high: float
    u: tuple[float, float]
    v: tuple[float, float]
    held: tuple[float, float]
    moved: tuple[float, float]


@dataclass(frozen=True, slots=True)
class CostMoves:
    """What the ranges come to: at the likely costs, range by range, and all at once.

    ``together`` holds the share treated otherwise for each of the drawn sets of costs; ``held_together`` the share
    held. ``bound`` says which cutoffs a limit holds in place at the likely costs.
    """

    outcome: Outcome
    ends: tuple[Ends, ...]
    together: tuple[float, ...]
    held_together: tuple[float, ...]
    bound: tuple[str, ...]


def move_costs(
    trial: Trial, demands: Demands, ranges: Sequence[CostRange], *, unit: float = 1.0, seed: int = 0
) -> CostMoves:
    """Move the costs over their ranges; a cost that nobody was asked about stays as the policy has it.

    Parameters
    ----------
    trial, demands
        Training fish, and the policy's demands.
    ranges
        In held fish; those that only check others (``against``) are passed over.
    unit
        What one ordinary held fish costs in the policy.
    seed
        Of the sets of costs drawn together.
    """
    asked = [_scaled(one, unit) for one in ranges if one.kind != "against"]
    likely = _with_costs(demands, {(one.about, one.kind): one.likely for one in asked})
    look = _Look(trial, likely)
    ends = tuple(_ends(look, asked, i) for i in range(len(asked)))
    rng = np.random.default_rng(seed)
    drawn = [look.at({(one.about, one.kind): _draw(rng, one) for one in asked}) for _ in range(DRAWS)]
    return CostMoves(
        outcome=look.outcome,
        ends=ends,
        together=tuple(moved for _, moved in drawn),
        held_together=tuple(outcome.hold.share for outcome, _ in drawn),
        bound=_bound(look.outcome),
    )


class _Look:
    """Compares every set of costs with the likely one, fish by fish."""

    def __init__(self, trial: Trial, likely: Demands) -> None:
        self._trial, self._likely = trial, likely
        self.outcome, self._actions = self._decide(likely)
        self._weights = weigh_fish(trial.individuals, trial.calibration, likely).weights

    def at(self, costs: Mapping[tuple[str, str], float]) -> tuple[Outcome, float]:
        """The outcome at some costs, and the share of presentations treated otherwise than at the likely ones."""
        outcome, actions = self._decide(_with_costs(self._likely, costs))
        return outcome, float(self._weights[actions != self._actions].sum())

    def _decide(self, demands: Demands) -> tuple[Outcome, np.ndarray[tuple[int], np.dtype[np.intp]]]:
        outcome = weigh(self._trial.individuals, self._trial.calibration, demands)
        scored = weigh_fish(self._trial.individuals, self._trial.calibration, demands).scored
        passed, rejected = scored.to_pass < outcome.choice.u, scored.to_reject > outcome.choice.v
        return outcome, np.where(passed, 1, np.where(rejected, 2, 0))


def _ends(look: _Look, asked: Sequence[CostRange], i: int) -> Ends:
    one = asked[i]
    (low, low_moved), (high, high_moved) = (look.at({(one.about, one.kind): cost}) for cost in (one.low, one.high))
    return Ends(
        about=one.about,
        kind=one.kind,
        low=one.low,
        likely=one.likely,
        high=one.high,
        u=(low.choice.u, high.choice.u),
        v=(low.choice.v, high.choice.v),
        held=(low.hold.share, high.hold.share),
        moved=(low_moved, high_moved),
    )


def _with_costs(demands: Demands, costs: Mapping[tuple[str, str], float]) -> Demands:
    place = {name: i for i, name in enumerate(demands.costs.classes)}
    error, hold = demands.costs.error.copy(), demands.costs.hold.copy()
    for (code, kind), cost in costs.items():
        (error if kind == "error" else hold)[place[code]] = cost
    return replace(demands, costs=replace(demands.costs, error=error, hold=hold))


def _scaled(one: CostRange, unit: float) -> CostRange:
    return one.model_copy(update={"low": one.low * unit, "likely": one.likely * unit, "high": one.high * unit})


def _draw(rng: np.random.Generator, one: CostRange) -> float:
    return float(np.exp(rng.uniform(np.log(one.low), np.log(one.high))))


def _bound(outcome: Outcome) -> tuple[str, ...]:
    held = {"pass cutoff": outcome.choice.u == outcome.u_cap, "reject cutoff": outcome.choice.v == outcome.v_floor}
    return tuple(name for name, is_bound in held.items() if is_bound)
