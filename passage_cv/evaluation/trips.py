"""Would the limit have held on a trip that did not help to set it? Every trip left out in turn.

A diagnostic beside mode ``fish``, which takes fish of one trip as independent; it claims nothing by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from passage_cv.decision.combine import Ints, name_codes
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.judging import Judged
from passage_cv.scores import Floats
from passage_cv.stats.binomial import allowed_rank, exact_interval


@dataclass(frozen=True, slots=True)
class TripLine:
    """Excluded fish of one trip against the cap found without that trip."""

    trip: str
    shown: int
    missed: int

    @property
    def interval(self) -> tuple[float, float]:
        """Exact two-sided 95 % interval of the share missed."""
        return exact_interval(self.missed, self.shown)


def leave_one_trip_out(cut: Judged, cutoffs: Cutoffs) -> tuple[TripLine, ...]:
    """Excluded fish with a miss limit, trip by trip, against the cap of all other trips (mode ``fish``)."""
    limits = {limit.class_: limit.limit for limit in cutoffs.limits if limit.kind == "miss"}
    limited = np.isin(cut.individuals.label, list(limits)) & (cut.individuals.trip != "")
    names, scores = cut.individuals.trip[limited], cut.scored.to_pass[limited]
    labels, trips = cut.individuals.label[limited], name_codes(names)
    n_trips = int(trips.max(initial=-1)) + 1
    caps = np.full(n_trips, np.inf)
    for code, limit in limits.items():
        own = labels == code
        rest = _caps_without(scores[own], trips[own], n_trips, limit, cutoffs.delta_miss)
        caps = np.minimum(caps, np.fromiter(rest, dtype=np.float64, count=n_trips))
    shown = np.bincount(trips, minlength=n_trips)
    missed = np.bincount(trips, weights=scores < caps[trips], minlength=n_trips)
    found = np.unique(names)
    return tuple(TripLine(str(found[i]), int(shown[i]), int(missed[i])) for i in range(n_trips))


def _caps_without(scores: Floats, trips: Ints, n_trips: int, limit: float, delta: float) -> Iterator[float]:
    """The cap of one class without each trip in turn: the k-th smallest score that is not of that trip."""
    order = np.argsort(scores, kind="stable")
    ranked, own_trip = scores[order], trips[order]
    places = [np.flatnonzero(own_trip == trip) for trip in range(n_trips)]
    for own in places:
        rank = allowed_rank(len(scores) - len(own), limit=limit, delta=delta)
        yield _rank_without(ranked, own, rank) if rank else -np.inf


def _rank_without(ranked: Floats, left_out: Ints, rank: int) -> float:
    """The score of a rank among sorted scores when those at some places are taken away."""
    place = rank - 1
    while (further := rank - 1 + int(np.searchsorted(left_out, place, side="right"))) > place:
        place = further
    return float(ranked[place])
