"""Where the data set is thin: individuals of each class per trip, size, light and turbidity.

Counts individuals, never images, in the roles that are used. Says where the next trip should collect; how
many fish a limit needs is planning's business.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from passage_cv.dataset.tables import rows_without
from passage_cv.dataset.versions import Version

SIZES_MM = (200.0, 400.0, 700.0)
"""Bounds of the size classes [ours: small, pan-sized, large, very large river fish]."""
CLOUDY_NTU = (20.0, 50.0)
"""Above the first, patterns fade; above the second only outlines are left [handbook section 6]."""

_COLUMNS = ("individual", "scientificName", "trip", "site", "length_mm", "light", "turbidity_NTU", "purpose", "role")
UNKNOWN = "not recorded"


@dataclass(frozen=True, slots=True)
class Cell:
    """Individuals and trips of one class at one level of one dimension."""

    name: str
    dimension: str
    level: str
    n_individuals: int
    n_trips: int


def band(value: float | None, bounds: tuple[float, ...], unit: str) -> str:
    """The name of the band a value lies in.

    Examples
    --------
    >>> band(450, SIZES_MM, "mm"), band(12, CLOUDY_NTU, "NTU"), band(80, CLOUDY_NTU, "NTU")
    ('400 to 700 mm', 'under 20 NTU', '50 NTU and more')
    """
    if value is None:
        return UNKNOWN
    if value < bounds[0]:
        return f"under {bounds[0]:g} {unit}"
    for low, high in pairwise(bounds):
        if value < high:
            return f"{low:g} to {high:g} {unit}"
    return f"{bounds[-1]:g} {unit} and more"


DIMENSIONS: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "role": lambda row: row["role"],
    "site": lambda row: row["site"] or UNKNOWN,
    "size": lambda row: band(row["length_mm"], SIZES_MM, "mm"),
    "light": lambda row: row["light"] or UNKNOWN,
    "turbidity": lambda row: band(row["turbidity_NTU"], CLOUDY_NTU, "NTU"),
    "trip": lambda row: row["trip"] or UNKNOWN,
}


def count_cover(version: Version, dimensions: tuple[str, ...] = tuple(DIMENSIONS)) -> list[Cell]:
    """Individuals of each class at each level of some dimensions, zeros included.

    A level that any class has is counted for every class, so that a gap shows as 0. An individual whose
    pictures have several levels (seen by day and by night) counts once in each.
    """
    rows = _used_rows(version)
    names = sorted({row["scientificName"] for row in rows})
    cells: list[Cell] = []
    for dimension in dimensions:
        fish: dict[tuple[str, str], set[str]] = defaultdict(set)
        trips: dict[tuple[str, str], set[str]] = defaultdict(set)
        for row in rows:
            key = (row["scientificName"], DIMENSIONS[dimension](row))
            fish[key].add(row["individual"])
            trips[key].add(row["trip"])
        levels = sorted({level for _, level in fish})
        cells += [
            Cell(name, dimension, level, len(fish[name, level]), len(trips[name, level] - {""}))
            for name in names
            for level in levels
        ]
    return cells


def thin_cells(cells: list[Cell], least: int) -> list[Cell]:
    """Cells with fewer individuals than ``least``, emptiest first; what was not recorded left out."""
    thin = [cell for cell in cells if cell.n_individuals < least and cell.level != UNKNOWN]
    return sorted(thin, key=lambda cell: (cell.n_individuals, cell.name, cell.dimension, cell.level))


@dataclass(frozen=True, slots=True)
class Condition:
    """One light and turbidity, and what a trip under it would fill: ``lacking`` individuals over all ``gaps``.

    A gap is a class and size of which fewer than the wanted number were imaged so; ``trips`` had this condition.
    """

    light: str
    turbidity: str
    n_individuals: int
    trips: tuple[str, ...]
    lacking: int
    gaps: tuple[tuple[str, str, int], ...]


def cross_cover(version: Version) -> dict[tuple[str, str, str, str], set[str]]:
    """Individuals by class, size, light and turbidity: every combination that occurs; a fish may be in several."""
    found: dict[tuple[str, str, str, str], set[str]] = defaultdict(set)
    for row in _used_rows(version):
        size, light, turbidity = (DIMENSIONS[name](row) for name in ("size", "light", "turbidity"))
        found[row["scientificName"], size, light, turbidity].add(row["individual"])
    return dict(found)


def next_trips(version: Version, least: int) -> list[Condition]:
    """Under which light and turbidity the next trip should collect, the one that fills most first.

    Parameters
    ----------
    version
        What there is.
    least
        Individuals wanted of each class and size under each light and turbidity.

    Returns
    -------
    list of Condition
        Conditions that any picture had. Only sizes that a class was ever seen in are asked for: nobody can image
        a perch of 700 mm. What was not recorded is no condition.
    """
    cells = cross_cover(version)
    trips: dict[tuple[str, str], set[str]] = defaultdict(set)
    for row in _used_rows(version):
        trips[DIMENSIONS["light"](row), DIMENSIONS["turbidity"](row)].add(row["trip"])
    kinds = sorted({(name, size) for name, size, _, _ in cells if size != UNKNOWN})
    found = [
        _condition(light, turbidity, cells, kinds, tuple(sorted(own - {""})), least)
        for (light, turbidity), own in sorted(trips.items())
        if UNKNOWN not in {light, turbidity}
    ]
    return sorted(found, key=lambda one: (-one.lacking, one.light, one.turbidity))


@dataclass(frozen=True, slots=True)
class Unrecorded:
    """Individuals of none of whose pictures the light, or the turbidity, was recorded."""

    light: int
    turbidity: int


def count_unrecorded(version: Version) -> Unrecorded:
    """Individuals that no advice on conditions can count, since nobody wrote down how they were seen."""
    rows = _used_rows(version)
    everyone = {row["individual"] for row in rows}
    known = {
        name: {row["individual"] for row in rows if DIMENSIONS[name](row) != UNKNOWN}
        for name in ("light", "turbidity")
    }
    return Unrecorded(len(everyone - known["light"]), len(everyone - known["turbidity"]))


def _condition(
    light: str,
    turbidity: str,
    cells: Mapping[tuple[str, str, str, str], set[str]],
    kinds: Sequence[tuple[str, str]],
    trips: tuple[str, ...],
    least: int,
) -> Condition:
    counts = {kind: len(cells.get((*kind, light, turbidity), ())) for kind in kinds}
    gaps = sorted(
        ((name, size, n) for (name, size), n in counts.items() if n < least), key=lambda gap: (gap[2], *gap[:2])
    )
    seen = set().union(*(who for key, who in cells.items() if key[2:] == (light, turbidity)))
    return Condition(light, turbidity, len(seen), trips, sum(least - n for *_, n in gaps), tuple(gaps))


def _used_rows(version: Version) -> list[dict[str, Any]]:
    rows = rows_without(version.table(_COLUMNS), "role", "excluded").to_pylist()
    return [row for row in rows if row["individual"]]
