"""Backwards: which miss rate per presentation a tolerable number asks for, and how many fish show it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from passage_cv.planning.fates import rate_for_passage
from passage_cv.planning.sampling import CUT_SHARE, over_share
from passage_cv.planning.season import SeasonClass, coming_of
from passage_cv.stats.binomial import lower_limit, trials_needed
from passage_cv.stats.require import require_count, require_open

RISK = 0.05
"""Chance of more than the tolerable number that is accepted by default (ours)."""


@dataclass(frozen=True, slots=True)
class Goal:
    """What one excluded class asks of the gate.

    ``fish`` is the run planned for, ``chance`` how often one fish may ever get past, ``miss_rate`` that per
    presentation; ``individuals`` are needed in ``cut`` to show it with no miss, ``to_image`` in all. The last
    three are None where no miss rate is low enough to matter: every fish may pass.
    """

    code: str
    tolerable: int
    risk: float
    fish: int
    chance: float
    miss_rate: float | None
    individuals: int | None
    to_image: int | None


def goal_of(
    one: SeasonClass, reject_to: str, *, delta: float, risk: float = RISK, cut_share: float = CUT_SHARE
) -> Goal:
    """What one excluded class of a season asks of the gate.

    Parameters
    ----------
    one
        The class, with its tolerable number per season.
    reject_to
        The site's rule for rejected fish.
    delta
        Allowed chance of a wrong claim about the miss rate.
    risk
        Accepted chance of a season with more than the tolerable number, were the miss rate just as asked.

    Raises
    ------
    InputError
        If delta or risk is no probability.

    Notes
    -----
    Plans for the run's 95 % point where the run is unsure.
    """
    fish = planned_run(one)
    chance = chance_per_fish(fish, one.tolerable, risk=risk)
    coming = coming_of(one, reject_to)
    if chance >= 1 - coming.hold_rate:
        return Goal(one.code, one.tolerable, risk, fish, 1.0, None, None, None)
    rate = rate_for_passage(chance, coming)
    individuals = trials_needed(limit=rate, delta=delta)
    return Goal(one.code, one.tolerable, risk, fish, chance, rate, individuals, over_share(individuals, cut_share))


def chance_per_fish(fish: int, tolerable: int, *, risk: float = RISK) -> float:
    """Largest chance per fish to get past at which more than ``tolerable`` of ``fish`` do with at most ``risk``.

    ``P(Bin(N, c) > T) = risk``, which is the exact lower limit of T + 1 of N at confidence 1 - risk.

    Examples
    --------
    >>> round(chance_per_fish(400, 0, risk=0.05), 7)  # 1 - 0.95 ** (1 / 400)
    0.0001282
    """
    require_count(fish, "Number of fish")
    require_count(tolerable, "Tolerable number")
    require_open(risk, "Risk")
    return 1.0 if tolerable >= fish else lower_limit(tolerable + 1, fish, confidence=1 - risk)


def planned_run(one: SeasonClass) -> int:
    """Fish to plan for: the expected run, or the 95 % point of its log-normal law where it is unsure."""
    if not one.run_standard_error or not one.run:
        return math.ceil(one.run)
    spread = math.log1p((one.run_standard_error / one.run) ** 2)
    return math.ceil(math.exp(math.log(one.run) - spread / 2 + float(special.ndtri(0.95)) * math.sqrt(spread)))
