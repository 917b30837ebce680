"""What each class lacks: individuals and trips per role, beside the number that its limit needs.

How many a limit needs is planning's business and comes in as a number; nothing here reads a score.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from passage_cv.dataset.blind import fish_of
from passage_cv.dataset.versions import Version


@dataclass(frozen=True, slots=True)
class Standing:
    """One class by scientific name: individuals and trips per role, and what is missing.

    ``needed`` are the individuals (trips where ``by_trip``) wanted in ``cut``, None where no limit was asked;
    ``missing`` those not there yet; ``further_trips`` how many trips like those that caught the class would be
    expected to bring them, at the store's shares, None where no trip ever did.
    """

    name: str
    individuals: Mapping[str, int]
    trips: Mapping[str, int]
    needed: int | None
    by_trip: bool
    missing: int | None
    further_trips: int | None


def what_is_missing(version: Version, needed: Mapping[str, int], *, by_trip: bool = False) -> list[Standing]:
    """Every class of a version or of ``needed``, in alphabetical order.

    Parameters
    ----------
    version
        Counted without what is excluded; an individual counts once, in the role it has.
    needed
        Scientific name to individuals (or trips) wanted in ``cut``.
    by_trip
        Whether ``needed`` counts trips, as the limits of modes ``trip`` and ``between-trips`` do.
    """
    individuals: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    trips: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for fish in fish_of(version, used_only=True):
        if fish.role != "excluded":
            individuals[fish.name][fish.role] += 1
            trips[fish.name][fish.role] |= fish.trips
    cut_share = version.store.settings.shares.cut
    return [
        _standing(name, individuals[name], trips[name], needed.get(name), by_trip=by_trip, cut_share=cut_share)
        for name in sorted({*individuals, *needed})
    ]


def _standing(
    name: str,
    individuals: Mapping[str, int],
    trips: Mapping[str, set[str]],
    needed: int | None,
    *,
    by_trip: bool,
    cut_share: float,
) -> Standing:
    n_trips = {role: len(own) for role, own in trips.items()}
    have = (n_trips if by_trip else individuals).get("cut", 0)
    missing = None if needed is None else max(0, needed - have)
    all_trips = len(set().union(*trips.values())) if trips else 0
    per_trip = 1.0 if by_trip else (sum(individuals.values()) / all_trips if all_trips else 0.0)
    further = math.ceil(missing / cut_share / per_trip) if missing is not None and per_trip and all_trips else None
    return Standing(
        name=name,
        individuals=dict(individuals),
        trips=n_trips,
        needed=needed,
        by_trip=by_trip,
        missing=missing,
        further_trips=0 if missing == 0 else further,
    )
