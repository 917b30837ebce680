"""How many fish to image before a limit can be shown, and what the fish at hand can show.

Limits, confidences and counts come in; numbers of individuals go out. The unit is always the individual: several
pictures of one fish count once. Nothing here reads scores.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise, product
from typing import Literal

from passage_cv.decision.guarantee import Mode, trips_needed
from passage_cv.errors import InputError
from passage_cv.policy import ClassRule, Policy
from passage_cv.stats.binomial import allowed_rank, probability_at_most, trials_needed, upper_limit
from passage_cv.stats.require import require_count, require_open

CUT_SHARE = 0.4
"""Default share of individuals that get role ``cut`` (architecture, Roles)."""

Kind = Literal["miss", "false rejection"]


@dataclass(frozen=True, slots=True)
class Need:
    """What one class needs for its limit.

        ``individuals`` are needed in role ``cut``, in the trip modes one from each of as many trips; ``to_image`` is
    that over the cut share, rounded up. ``in_cut`` is what the store holds there already, counted in the same
    unit (None where no store was asked), and ``missing`` what is still to be imaged.
    """

    code: str
    name: str
    kind: Kind
    limit: float
    confidence: float
    misses: int
    individuals: int
    to_image: int
    mode: Mode = "fish"
    in_cut: int | None = None
    missing: int | None = None


def over_share(individuals: int, cut_share: float) -> int:
    """Individuals to image so that ``individuals`` of them are expected in role ``cut``, rounded up.

    Examples
    --------
    >>> over_share(18, 0.4)
    45
    """
    if not 0 < cut_share <= 1:
        raise InputError(f"Share of cut is {cut_share}, it must be above 0 and at most 1", do="Give e.g. 0.4.")
    return math.ceil(individuals / Fraction(str(cut_share)))


def plan_for_policy(
    policy: Policy,
    *,
    misses: int = 0,
    cut_share: float = CUT_SHARE,
    in_cut: Mapping[str, int] | None = None,
) -> tuple[Need, ...]:
    """What every limited class of a policy needs, delta divided as ``calibrate`` will divide it.

    Parameters
    ----------
    policy
        The site's policy; classes without a limit need nothing and do not appear.
    misses
        Misses allowed, fixed beforehand.
    cut_share
        Share of individuals that are drawn into role ``cut``; where whole trips are drawn it is met only on
        average, so image somewhat more.
    in_cut
        Individuals (in the trip modes: trips) already in role ``cut`` by class code, where a store was asked.

    Raises
    ------
    InputError
        If no class has a limit.

    Notes
    -----
    Assumes: individuals like those the gate will meet, independent of each other (in the trip modes: trips).
    """
    needs = []
    for rule, kind, limit, delta in limits_of(policy):
        individuals = units_needed(limit, delta=delta, misses=misses, mode=policy.mode)
        have = None if in_cut is None else in_cut.get(rule.code, 0)
        needs.append(
            Need(
                code=rule.code,
                name=rule.scientific_name,
                kind=kind,
                limit=limit,
                confidence=1 - delta,
                misses=misses,
                individuals=individuals,
                to_image=over_share(individuals, cut_share),
                mode=policy.mode,
                in_cut=have,
                missing=None if have is None else over_share(max(0, individuals - have), cut_share),
            )
        )
    if not needs:
        raise InputError(
            f"Policy of {policy.site} limits no class, so no number of fish follows from it",
            do="Give miss_limit or false_rejection_limit, or call with --miss-limit.",
        )
    return tuple(needs)


def plan_for_limit(limit: float, *, confidence: float = 0.95, misses: int = 0, cut_share: float = CUT_SHARE) -> Need:
    """What one limit needs, without a policy.

    Raises
    ------
    InputError
        If an argument leaves its range.

    Examples
    --------
    >>> need = plan_for_limit(0.05)
    >>> need.individuals, need.to_image
    (59, 148)
    """
    require_open(confidence, "Confidence")
    individuals = units_needed(limit, delta=1 - confidence, misses=misses)
    to_image = over_share(individuals, cut_share)
    return Need("", "", "miss", limit, confidence, misses, individuals, to_image)


def limits_of(policy: Policy) -> Iterator[tuple[ClassRule, Kind, float, float]]:
    """Every limit of a policy: its class, kind, value and the delta it is shown with."""
    delta_miss, delta_rejection = policy.deltas
    for rule in policy.classes:
        if rule.miss_limit is not None:
            yield rule, "miss", rule.miss_limit, delta_miss
        if rule.false_rejection_limit is not None:
            yield rule, "false rejection", rule.false_rejection_limit, delta_rejection


def units_needed(limit: float, *, delta: float, misses: int = 0, mode: Mode = "fish") -> int:
    """Fish (mode ``fish``) or trips that each caught the class (trip modes), needed in ``cut``.

    ``trip`` takes one individual per trip, so trips count as fish do; ``between-trips`` bets on the trips'
    shares, with no miss at all.

    Raises
    ------
    InputError
        If an argument leaves its range, or misses are to be allowed in mode ``between-trips``.

    Notes
    -----
    Assumes: fish, or trips, are independent of each other. Decision-method section 6.

    Examples
    --------
    >>> [units_needed(limit, delta=0.05, mode="between-trips") for limit in (0.05, 0.02, 0.01)]
    [62, 157, 314]
    >>> units_needed(0.05, delta=0.05, mode="trip")
    59
    """
    if mode != "between-trips":
        return trials_needed(limit=limit, delta=delta, misses=misses)
    require_open(limit, "Limit")
    require_open(delta, "Delta")
    if misses:
        raise InputError(
            f"Misses allowed is {misses}, but betting on trips plans clean trips", do="Plan with 0 misses."
        )
    return trips_needed(limit=limit, delta=delta)


def shown_by(individuals: int, *, delta: float, misses: Sequence[int] = (0, 1, 2, 3)) -> dict[int, float]:
    """Smallest limit that individuals already in ``cut`` can show, by number of misses among them.

    Examples
    --------
    >>> {x: round(limit, 4) for x, limit in shown_by(100, delta=0.05, misses=(0, 1, 2)).items()}
    {0: 0.0295, 1: 0.0466, 2: 0.0616}
    """
    require_open(delta, "Delta")
    return {x: upper_limit(x, individuals, confidence=1 - delta) for x in misses if x <= individuals}


def misses_allowed(individuals: int, *, limit: float, delta: float) -> int | None:
    """Misses among ``individuals`` that still show ``limit``; None where even none shows too little.

    Examples
    --------
    >>> misses_allowed(58, limit=0.05, delta=0.05), misses_allowed(100, limit=0.05, delta=0.05)
    (None, 1)
    """
    rank = allowed_rank(individuals, limit=limit, delta=delta)
    return rank - 1 if rank else None


def chance_to_succeed(individuals: int, *, misses: int, true_rate: float) -> float:
    """Chance that a fixed rule with this true miss rate shows its limit on new individuals.

    Examples
    --------
    >>> round(chance_to_succeed(59, misses=0, true_rate=0.01), 3)  # 0.99 ** 59
    0.553
    """
    require_count(individuals, "Number of individuals")
    return probability_at_most(misses, individuals, true_rate)


@dataclass(frozen=True, slots=True)
class Target:
    """Individuals to image in one cell of the field sheet: a length band under one light."""

    lengths: str
    light: str
    individuals: int


def split_targets(individuals: int, *, length_edges_mm: Sequence[int], lights: Sequence[str]) -> tuple[Target, ...]:
    """Spread a number of individuals evenly over length bands and lights, so that the sum stays.

    A limit holds only for fish like those sampled, small ones and night ones included.

    Parameters
    ----------
    individuals
        To image in all.
    length_edges_mm
        Rising inner edges: ``(300, 500)`` makes three bands; none makes one band.
    lights
        For example day, night, infrared; at least one.

    Raises
    ------
    InputError
        If the edges do not rise or no light is given.

    Examples
    --------
    >>> [(t.lengths, t.individuals) for t in split_targets(10, length_edges_mm=(300, 500), lights=("day",))]
    [('under 300', 4), ('300 to 499', 3), ('500 and over', 3)]
    """
    if not lights or list(length_edges_mm) != sorted(set(length_edges_mm)):
        raise InputError(
            f"Length edges are {list(length_edges_mm)}, lights {list(lights)}",
            do="Give rising edges in mm and at least one light.",
        )
    cells = list(product(length_bands(length_edges_mm), lights))
    each, rest = divmod(individuals, len(cells))
    return tuple(Target(band, light, each + (i < rest)) for i, (band, light) in enumerate(cells))


def length_bands(edges_mm: Sequence[int]) -> tuple[str, ...]:
    """Length bands in words for inner edges in mm."""
    if not edges_mm:
        return ("any",)
    inner = [f"{low} to {high - 1}" for low, high in pairwise(edges_mm)]
    return (f"under {edges_mm[0]}", *inner, f"{edges_mm[-1]} and over")
