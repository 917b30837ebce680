"""What each class lacks: individuals and trips per role, beside the number that its limit needs.

How many a limit needs is planning's business and comes in as a number; nothing here reads a score.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
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


@dataclass(frozen=True, slots=True)
class Tally:
    """One class by scientific name: individuals and trips per role, and its trips in all."""

    name: str
    individuals: Mapping[str, int]
    trips: Mapping[str, int]
    n_trips: int


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
    tallies = tally_classes(version)
    return standings(tallies, needed, by_trip=by_trip, cut_share=version.store.settings.shares.cut)


def tally_classes(version: Version) -> list[Tally]:
    """Individuals and trips of every class of a version; this reads all of its fish."""
    individuals: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    trips: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for fish in fish_of(version, used_only=True):
        if fish.role != "excluded":
            individuals[fish.name][fish.role] += 1
            trips[fish.name][fish.role] |= fish.trips
    return [
        Tally(
            name=name,
            individuals=dict(counts),
            trips={role: len(own) for role, own in trips[name].items()},
            n_trips=len(set().union(*trips[name].values())),
        )
        for name, counts in sorted(individuals.items())
    ]


def standings(
    tallies: Iterable[Tally], needed: Mapping[str, int], *, by_trip: bool, cut_share: float
) -> list[Standing]:
    """What classes have and lack, as :func:`what_is_missing`, from what :func:`tally_classes` counted."""
    known = {one.name: one for one in tallies}
    return [
        _standing(known.get(name, Tally(name, {}, {}, 0)), needed.get(name), by_trip=by_trip, cut_share=cut_share)
        for name in sorted({*known, *needed})
    ]


def _standing(tally: Tally, needed: int | None, *, by_trip: bool, cut_share: float) -> Standing:
    have = (tally.trips if by_trip else tally.individuals).get("cut", 0)
    missing = None if needed is None else max(0, needed - have)
    n_all = sum(tally.individuals.values())
    per_trip = 1.0 if by_trip else (n_all / tally.n_trips if tally.n_trips else 0.0)
    can_tell = missing is not None and per_trip and tally.n_trips
    further = math.ceil(missing / cut_share / per_trip) if can_tell and missing is not None else None
    return Standing(
        name=tally.name,
        individuals=tally.individuals,
        trips=tally.trips,
        needed=needed,
        by_trip=by_trip,
        missing=missing,
        further_trips=0 if missing == 0 else further,
    )
