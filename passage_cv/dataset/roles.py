"""Which pictures may train, set cutoffs, or test: random draws in balanced blocks, made once and kept.

A drawing unit (a trip, or an individual) takes the next slot of its stratum's current block; a block holds
each role as often as the shares say, in an order shuffled by SHA-256 of the recorded seed. The draw looks at
labels and trips, never at pictures or scores. Writing roles down is done by ``accept``.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from passage_cv.dataset.store import Shares, StoreSettings
from passage_cv.intake.columns import GATE_VIEW, OTHER_PURPOSES
from passage_cv.records import Role

LIMITED, OTHER = "holds limited", "other"
"""Strata of trips: with or without an excluded or protected class."""


@dataclass(frozen=True, slots=True)
class Observation:
    """What the draw may see of one image."""

    image_sha256: str
    individual: str
    trip: str
    species: str
    purpose: str


OBSERVED = ("image_sha256", "individual", "trip", "scientificName", "purpose")
"""Columns of a segment that make an observation, in its order."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One unit's role and how it came about; with the seed, anyone can repeat it."""

    unit: str
    stratum: str
    block: int
    slot: int
    role: Role


@dataclass(frozen=True, slots=True)
class RoleState:
    """What earlier facts fixed: roles of units, individuals and look-alike images, and units drawn per stratum."""

    units: Mapping[str, Role] = field(default_factory=dict)
    individuals: Mapping[str, Role] = field(default_factory=dict)
    images: Mapping[str, Role] = field(default_factory=dict)
    drawn: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Assignment:
    """New draws, the roles of all units at hand, units drawn per stratum, and images that no role may use."""

    draws: tuple[Draw, ...]
    units: Mapping[str, Role]
    drawn: Mapping[str, int]
    excluded: Mapping[str, str]


def block_roles(shares: Shares, *, seed: int, stratum: str, block: int) -> tuple[Role, ...]:
    """The roles of one block in their shuffled order.

    Slots are sorted by ``SHA-256("seed/stratum/block/slot")``, so that the order can be repeated with
    ``sha256sum`` and depends on no library's random numbers.

    Examples
    --------
    >>> sorted(block_roles(Shares(), seed=7, stratum="other", block=0))
    ['cut', 'cut', 'test', 'train', 'train']
    """
    n = shares.block_size
    n_train, n_cut = round(shares.train * n), round(shares.cut * n)

    def rank(slot: int) -> str:
        return hashlib.sha256(f"{seed}/{stratum}/{block}/{slot}".encode()).hexdigest()

    def role(slot: int) -> Role:
        return "train" if slot < n_train else "cut" if slot < n_train + n_cut else "test"

    return tuple(role(slot) for slot in sorted(range(n), key=rank))


def draw_roles(
    observations: Sequence[Observation],
    settings: StoreSettings,
    state: RoleState | None = None,
    *,
    alike: Mapping[str, Sequence[str]] | None = None,
) -> Assignment:
    """Give every new unit its role, and exclude what no role may use.

    Parameters
    ----------
    observations
        The batch's images in sheet order.
    settings
        Unit, shares, seed and the species that make a trip ``holds limited``.
    state
        What earlier batches fixed; nothing by default.
    alike
        Each image's earlier near-duplicates, in the store or in the batch.

    Returns
    -------
    Assignment
        Excluded, with the reason, are: pictures that show no fish; pictures other than gate views in ``cut``
        and ``test``; and the later observation of an individual, or of a moment, that another role has.
    """
    before = state or RoleState()
    draws = tuple(_draws(observations, settings, before))
    units = {**before.units, **{draw.unit: draw.role for draw in draws}}
    drawn = Counter(before.drawn) + Counter(draw.stratum for draw in draws)
    return Assignment(draws, units, dict(drawn), _exclusions(observations, settings, units, before, alike or {}))


def unit_of(observation: Observation, settings: StoreSettings) -> str:
    """The trip or the individual whose role this image takes; empty for a picture of no fish."""
    if observation.purpose in OTHER_PURPOSES:
        return ""
    return observation.trip if settings.unit == "trip" else observation.individual


def _draws(observations: Sequence[Observation], settings: StoreSettings, state: RoleState) -> Iterator[Draw]:
    drawn = Counter(state.drawn)
    size = settings.shares.block_size
    for unit, stratum in _strata(observations, settings).items():
        if unit in state.units:
            continue
        block, slot = divmod(drawn[stratum], size)
        roles = block_roles(settings.shares, seed=settings.seed, stratum=stratum, block=block)
        yield Draw(unit, stratum, block, slot, roles[slot])
        drawn[stratum] += 1


def _strata(observations: Iterable[Observation], settings: StoreSettings) -> dict[str, str]:
    """Each unit's stratum, in the order in which the sheet first names the unit."""
    strata: dict[str, str] = {}
    for one in observations:
        unit = unit_of(one, settings)
        if not unit:
            continue
        if settings.unit == "individual":
            strata.setdefault(unit, one.species)
        elif one.species in settings.limited:
            strata[unit] = LIMITED
        else:
            strata.setdefault(unit, OTHER)
    return strata


def _exclusions(
    observations: Iterable[Observation],
    settings: StoreSettings,
    units: Mapping[str, Role],
    before: RoleState,
    alike: Mapping[str, Sequence[str]],
) -> dict[str, str]:
    excluded: dict[str, str] = {}
    fish, images = dict(before.individuals), dict(before.images)
    for one in observations:
        unit = unit_of(one, settings)
        if not unit:
            excluded[one.image_sha256] = f"purpose {one.purpose} shows no fish"
            continue
        role = units[unit]
        reason = _conflict(
            one, role, fish, [(other, images[other]) for other in alike.get(one.image_sha256, ()) if other in images]
        )
        if reason:
            excluded[one.image_sha256] = reason
        else:
            fish[one.individual] = images[one.image_sha256] = role
    return excluded


def _conflict(one: Observation, role: Role, fish: Mapping[str, Role], alike: Iterable[tuple[str, Role]]) -> str:
    """Why an image cannot have the role its unit drew; empty where it can."""
    first = fish.get(one.individual, role)
    if first != role:
        return f"{one.individual} was first seen in {first}, this one is {role}"
    if role != "train" and one.purpose != GATE_VIEW:
        return f"purpose {one.purpose} does not reach {role}"
    other = next((other for other, has in alike if has != role), "")
    return f"looks like picture {other[:12]}, which another role than {role} has" if other else ""
