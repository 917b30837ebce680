"""The demonstrated limit: how far a cutoff may go, given the fish that were scored.

Comes in: gate scores of one class in role ``cut``. Goes out: the cap under which its miss rate is at most the
limit with the asked confidence, or the statement that too few fish were imaged and how many are missing.
Costs play no part here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from passage_cv.decision.combine import Ints
from passage_cv.scores import Floats
from passage_cv.stats.binomial import allowed_rank, trials_needed

Bools = npt.NDArray[np.bool_]
Mode = Literal["fish", "trip", "between-trips"]

BET = 0.95
"""Share staked on each trip in mode ``between-trips``, fixed beforehand (decision-method 6)."""

_SAMPLE = 4096

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
    trips: Ints | None = None,
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
        Sampling trip of each as a whole number (:func:`~passage_cv.decision.combine.name_codes`), -1 where it is
        not known; None where none is. The trip modes need every one.
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
    >>> cap = miss_cap(scores, limit=0.05, delta=0.05)
    >>> cap.rank, round(cap.cutoff, 12)
    (9, 0.03)
    """
    trips = np.full(len(scores), -1) if trips is None else trips
    assert mode == "fish" or not (trips < 0).any(), "the trip modes need the trip of every individual"
    if mode == "between-trips":
        return _betting_cap(scores, trips, limit=limit, delta=delta)
    if mode == "trip":
        scores = scores[one_per_trip(trips, seed)]
    n = len(scores)
    n_trips = n if mode == "trip" else int(np.count_nonzero(np.bincount(trips + 1)[1:]))
    rank = allowed_rank(n, limit=limit, delta=delta)
    cutoff = float(np.partition(scores, rank - 1)[rank - 1]) if rank else -math.inf
    missing = max(0, trials_needed(limit=limit, delta=delta) - n)
    return Cap(cutoff=cutoff, n=n, trips=n_trips, rank=rank, missing=missing)


def rejection_floor(
    scores: Floats,
    trips: Ints | None = None,
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


def fish_needed(limit: float, delta: float, mode: Mode) -> int:
    """Individuals (trips in the trip modes) of a class in ``cut`` that show a limit if none is missed.

    Examples
    --------
    >>> [fish_needed(0.05, 0.05, mode) for mode in ("fish", "trip", "between-trips")]
    [59, 59, 62]
    """
    needed = trips_needed if mode == "between-trips" else trials_needed
    return needed(limit=limit, delta=delta)


def trips_needed(*, limit: float, delta: float) -> int:
    """Clean trips that mode ``between-trips`` needs before any cutoff is allowed.

    Examples
    --------
    >>> [trips_needed(limit=limit, delta=0.05) for limit in (0.05, 0.02, 0.01)]
    [62, 157, 314]
    """
    return math.ceil(-math.log(delta) / math.log1p(BET * limit / (1 - limit)))


def one_per_trip(trips: Ints, seed: int) -> Ints:
    """Rows of one fish per trip, each fish of a trip with the same chance; ``trips`` are numbers from 0.

    Examples
    --------
    >>> rows = one_per_trip(np.array([4, 4, 7, 4, 7]), seed=1)
    >>> len(rows), sorted(np.array([4, 4, 7, 4, 7])[rows].tolist())
    (2, [4, 7])
    """
    rng = np.random.default_rng(seed)
    chosen = np.full(int(trips.max(initial=-1)) + 1, -1)
    tries = rng.integers(len(trips), size=min(len(trips) // 4, 16 * len(chosen))) if len(trips) else trips
    chosen[trips[tries]] = tries  # the last try in a trip stays: any of its fish, with the same chance
    rest = np.flatnonzero((chosen < 0)[trips])
    rest = rest[np.argsort(rng.random(len(rest)))]
    chosen[trips[rest]] = rest  # trips that no try met, all their fish in a random order
    return np.asarray(chosen[chosen >= 0])


def _betting_cap(scores: Floats, trips: Ints, *, limit: float, delta: float) -> Cap:
    sizes = np.bincount(trips)
    present = sizes > 0
    n_trips = int(present.sum())
    nothing = Cap(cutoff=-math.inf, n=len(scores), trips=n_trips, rank=0, missing=0)
    missing = max(0, trips_needed(limit=limit, delta=delta) - n_trips)
    if missing:
        return replace(nothing, missing=missing)

    def refused(passed: Floats) -> bool:
        return betting_evidence(passed[present] / sizes[present], limit) < -math.log(delta)

    cutoff = _largest_allowed(scores, trips, refused, share=limit)
    rank = 0 if cutoff == -math.inf else int(np.count_nonzero(scores < cutoff)) + 1
    return replace(nothing, cutoff=cutoff, rank=rank)


def _largest_allowed(scores: Floats, trips: Ints, refused: Callable[[Floats], bool], *, share: float) -> float:
    """The largest score below which the fish of each trip may pass; -inf where there is none.

    ``refused`` judges how many of each trip are passed, and more fish never turn its no into a yes. A sorted sample
    narrows the fish that matter to a few, and then their own scores do; the first guess is a little more than the
    ``share`` that may be missed, where a bad guess costs time only.
    """
    sample = np.sort(scores[:: max(1, len(scores) // _SAMPLE)])
    rest = _Rest(scores, trips, passed=np.zeros(int(trips.max()) + 1))
    _, rest = rest.narrowed(sample, refused, guess=min(len(sample) - 1, int(1.3 * share * len(sample))))
    candidates = np.unique(rest.scores)
    n_allowed, _ = rest.narrowed(candidates, refused, guess=len(candidates) // 2)
    return float(candidates[n_allowed - 1]) if n_allowed else -math.inf


@dataclass(frozen=True, slots=True)
class _Rest:
    """The fish whose scores are still in question, and how many of each trip lie below all of these."""

    scores: Floats
    trips: Ints
    passed: Floats

    def narrowed(self, rising: Floats, refused: Callable[[Floats], bool], *, guess: int) -> tuple[int, _Rest]:
        """How many of some rising cutoffs are allowed, and the fish between the last of these and the next."""
        rest, first, end = self, 0, len(rising)
        while first < end:
            low = np.flatnonzero(rest.scores < rising[guess])
            more = rest.passed + np.bincount(rest.trips[low], minlength=len(rest.passed))
            if refused(more):
                end, kept, passed = guess, low, rest.passed
            else:
                first, kept, passed = guess + 1, np.flatnonzero(rest.scores >= rising[guess]), more
            rest = _Rest(rest.scores[kept], rest.trips[kept], passed)
            guess = (first + end) // 2
        return first, rest
