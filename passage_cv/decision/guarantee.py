"""The demonstrated limit: how far a cutoff may go, given the fish that were scored.

Comes in: gate scores of one class in role ``cut``. Goes out: the cap under which its miss rate is at most the
limit with the asked confidence, or the statement that too few fish were imaged and how many are missing.
Costs play no part here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from passage_cv.scores import Floats, Strings
from passage_cv.stats.binomial import allowed_rank, trials_needed

Mode = Literal["fish", "trip", "between-trips"]

BET = 0.95
"""Share staked on each trip in mode ``between-trips``, fixed beforehand (decision-method 6)."""

ASSUMES = {
    "fish": "per presentation, for fish like those sampled: independent fish, new ones alike",
    "trip": "per presentation of a fish from a new trip, for trips like those sampled: independent trips",
    "between-trips": "mean over new trips, for trips like those sampled: independent trips",
}


@dataclass(frozen=True, slots=True)
class Cap:
    """How far a cutoff may go for one class.

    ``cutoff`` is -inf where nothing may pass; ``rank`` - 1 of the ``n`` scores may lie below it. ``missing`` is
    how many more individuals (trips in the trip modes) of this class ``cut`` would need, 0 where it has enough.
    """

    cutoff: float
    n: int
    trips: int
    rank: int
    missing: int


def miss_cap(
    scores: Floats,
    trips: Strings,
    *,
    limit: float,
    delta: float,
    mode: Mode = "fish",
    seed: int = 0,
) -> Cap:
    """The largest cutoff that may pass strictly lower scores of one excluded class.

    Parameters
    ----------
    scores
        Gate scores of the class's individuals in ``cut``; +inf for one held by a rule fixed beforehand.
    trips
        Sampling trip of each.
    limit, delta
        Miss rate allowed and chance allowed that the true one is higher, both in (0, 1).
    mode
        What is exchangeable with what the gate meets: fish, or trips (decision-method 6).
    seed
        Of the one draw per trip in mode ``trip``; fixed before any score is read.

    Notes
    -----
    Assumes: the scores were made by a model, crop and number of views fixed beforehand; a cutoff at or below
    the cap may then be chosen freely on the same fish. Passing is strict, so ties only help.

    References
    ----------
    Order statistics as exact limits: Wilks 1941, Scheffe & Tukey 1945 (ties); rule: Tong, Feng & Li 2018.

    Examples
    --------
    Decision-method 13, example 2:

    >>> scores = np.arange(1, 301) / 300
    >>> cap = miss_cap(scores, np.full(300, ""), limit=0.05, delta=0.05)
    >>> cap.rank, round(cap.cutoff, 12)
    (9, 0.03)
    """
    n_trips = len(np.unique(trips[trips != ""]))
    if mode == "between-trips":
        return _betting_cap(scores, trips, limit=limit, delta=delta)
    if mode == "trip":
        scores = scores[_one_per_trip(trips, seed)]
    n = len(scores)
    rank = allowed_rank(n, limit=limit, delta=delta)
    cutoff = float(np.partition(scores, rank - 1)[rank - 1]) if rank else -math.inf
    missing = max(0, trials_needed(limit=limit, delta=delta) - n)
    return Cap(cutoff=cutoff, n=n, trips=n_trips, rank=rank, missing=missing)


def rejection_floor(
    scores: Floats,
    trips: Strings,
    *,
    limit: float,
    delta: float,
    mode: Mode = "fish",
    seed: int = 0,
) -> Cap:
    """The smallest cutoff above which one protected class may be rejected; +inf where nothing may be.

    The mirror of :func:`miss_cap`: the l-th largest score takes the place of the k-th smallest.
    """
    cap = miss_cap(-scores, trips, limit=limit, delta=delta, mode=mode, seed=seed)
    return Cap(cutoff=-cap.cutoff, n=cap.n, trips=cap.trips, rank=cap.rank, missing=cap.missing)


def betting_evidence(miss_shares: Floats, limit: float) -> float:
    """Logarithm of the product over trips of 1 + BET (limit - share missed) / (1 - limit).

    Exact over independent trips by Markov's inequality: a cutoff is allowed while it is at least log(1/delta).

    Examples
    --------
    Decision-method 13, example 14 (20.59 at 62 clean trips):

    >>> round(math.exp(betting_evidence(np.zeros(62), 0.05)), 10)
    20.5938024483
    """
    return float(np.log1p(BET * (limit - np.asarray(miss_shares)) / (1 - limit)).sum())


def trips_needed(*, limit: float, delta: float) -> int:
    """Clean trips that mode ``between-trips`` needs before any cutoff is allowed.

    Examples
    --------
    >>> [trips_needed(limit=limit, delta=0.05) for limit in (0.05, 0.02, 0.01)]
    [62, 157, 314]
    """
    return math.ceil(-math.log(delta) / math.log1p(BET * limit / (1 - limit)))


def _one_per_trip(trips: Strings, seed: int) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    order = np.random.default_rng(seed).permutation(len(trips))
    _, first = np.unique(trips[order], return_index=True)
    return np.asarray(order[first])


def _betting_cap(scores: Floats, trips: Strings, *, limit: float, delta: float) -> Cap:
    names, group, sizes = np.unique(trips, return_inverse=True, return_counts=True)
    missing = max(0, trips_needed(limit=limit, delta=delta) - len(names))
    needed = -math.log(delta)
    candidates = np.unique(scores)
    low, high = (
        0,
        len(candidates),
    )  # candidates[:low] are known to be allowed; the evidence never rises with u
    while low < high:
        middle = (low + high) // 2
        below = np.bincount(group, weights=scores < candidates[middle], minlength=len(names))
        allowed = betting_evidence(below / sizes, limit) >= needed
        low, high = (middle + 1, high) if allowed else (low, middle)
    cutoff = float(candidates[low - 1]) if low else -math.inf
    rank = int((scores < cutoff).sum()) + 1 if low else 0
    return Cap(cutoff=cutoff, n=len(scores), trips=len(names), rank=rank, missing=missing)
