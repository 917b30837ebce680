"""What a fish may be called: a curated list with codes and synonyms, and ways to widen it.

The package carries the Atlantic-slope species of ``species.csv``. A site adds its own with a checklist of the
same form (``checklist`` beside the sheet), and open data may bring any name. Proposing a name for a slip is
done in ``slips``.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cache
from pathlib import Path
from types import MappingProxyType

from passage_cv.errors import InputError

_SHIPPED = Path(__file__).with_name("species.csv")


@dataclass(frozen=True, slots=True)
class Species:
    """One kind of fish; ``code`` is empty where a site has none, None and ``""`` mean not known.

    ``shape`` is a body shape of ``condition.SHAPES``; ``max_mm`` the longest total length on record;
    ``fork_ratio`` the usual fork length over total length [shipped values from memory of: length-length tables of
    FishBase; a site's checklist may give its own]; ``lacks`` names fins that the species has not, ``pectoral`` and
    ``pelvic`` [shipped values from memory of general anatomy: eels have no pelvic fins, lampreys and swamp eels no
    paired ones].
    """

    scientific_name: str
    code: str = ""
    common_name: str = ""
    synonyms: tuple[str, ...] = ()
    has_adipose: bool | None = None
    tail: str = ""
    shape: str = ""
    max_mm: float | None = None
    fork_ratio: float | None = None
    lacks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Names:
    """A list of species, found by scientific name, code, common name or synonym in any letter case.

    ``is_open`` accepts any other name as a species of its own; ``checklist`` holds the scientific names that a
    site has seen before, and is empty where no site said.

    Examples
    --------
    >>> shipped_names().find("nsh").scientific_name
    'Channa argus'
    >>> shipped_names().find("Salmo gairdneri").common_name
    'rainbow trout'
    >>> any_names().find("Scaridae").scientific_name
    'Scaridae'
    """

    species: tuple[Species, ...]
    is_open: bool = False
    checklist: frozenset[str] = frozenset()
    _by_name: Mapping[str, Species] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        index: dict[str, Species] = {}
        for one in self.species:
            for name in (one.scientific_name, one.code, one.common_name, *one.synonyms):
                if name:
                    index.setdefault(_key(name), one)
        object.__setattr__(self, "_by_name", MappingProxyType(index))

    def find(self, name: str) -> Species | None:
        """The species of that name, or None; an open list makes one of any name that is not empty."""
        found = self._by_name.get(_key(name))
        if found is None and self.is_open and name.strip():
            return Species(" ".join(name.split()))
        return found

    def widened(self, extra: Iterable[Species]) -> Names:
        """The list with a site's checklist: its species come in, and what is not on it is a new arrival.

        A later entry of the same scientific name wins; what it leaves out is kept from the earlier one.
        """
        own = tuple(extra)
        merged = {one.scientific_name: one for one in self.species}
        for one in own:
            known = merged.get(one.scientific_name)
            merged[one.scientific_name] = _completed(one, known) if known else one
        return Names(tuple(merged.values()), self.is_open, frozenset(one.scientific_name for one in own))


def _completed(one: Species, known: Species) -> Species:
    """An entry with its gaps filled from another of the same species."""
    own = {item.name: getattr(one, item.name) for item in fields(one)}
    return replace(known, **{name: value for name, value in own.items() if value not in ("", (), None)})


@cache
def shipped_names() -> Names:
    """The curated list of the package."""
    return Names(read_species(_SHIPPED))


def any_names() -> Names:
    """The curated list, and any other name as it is written (for open data)."""
    return Names(shipped_names().species, is_open=True)


def read_species(path: Path) -> tuple[Species, ...]:
    """Read a checklist: CSV with ``scientific_name`` and, where known, the columns of the shipped list.

    Raises
    ------
    InputError
        If the file is missing, has no such column, or one code or name means two species.
    """
    if not path.is_file():
        raise InputError("Checklist is missing", where=str(path), do="Check the path.")
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    if not rows or "scientific_name" not in rows[0]:
        raise InputError("Checklist has no column scientific_name", where=str(path), do="Add that column.")
    species = tuple(_species({key: (value or "").strip() for key, value in row.items() if key}) for row in rows)
    _require_unambiguous(species, path)
    return species


def _species(row: Mapping[str, str]) -> Species:
    return Species(
        scientific_name=row["scientific_name"],
        code=row.get("code", ""),
        common_name=row.get("common_name", ""),
        synonyms=_parts(row.get("synonyms", "")),
        has_adipose={"yes": True, "no": False}.get(row.get("adipose", "")),
        tail=row.get("tail", ""),
        shape=row.get("shape", ""),
        max_mm=float(row["max_mm"]) if row.get("max_mm") else None,
        fork_ratio=float(row["fork_ratio"]) if row.get("fork_ratio") else None,
        lacks=_parts(row.get("lacks", "")),
    )


def _parts(cell: str) -> tuple[str, ...]:
    """What stands in one cell, separated by ``;``."""
    return tuple(part.strip() for part in cell.split(";") if part.strip())


def _require_unambiguous(species: Iterable[Species], path: Path) -> None:
    owner: dict[str, Species] = {}
    for one in species:
        for name in {one.scientific_name, one.code, one.common_name, *one.synonyms} - {""}:
            first = owner.setdefault(_key(name), one)
            if first is not one:
                raise InputError(
                    f"{name!r} means both {first.scientific_name} and {one.scientific_name}",
                    where=str(path),
                    do="Give each species its own names.",
                )


def _key(name: str) -> str:
    return " ".join(name.split()).casefold()
