"""Rows of many cells under few headings: what all rows share is kept once.

A sheet of twenty thousand lines has the same headings on each, mostly the same words, and the same facts of the trip
behind the empty cells; a plain dictionary per line would be most of the memory that a check takes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Generic, TypeVar

T = TypeVar("T")


class Cells(Mapping[str, T], Generic[T]):
    """One row; ``at`` says where each heading's value stands and is shared by all rows of a sheet.

    Examples
    --------
    >>> row = Cells(places(["code", "sex"]), ("NSH", "F"))
    >>> row["sex"], dict(row)
    ('F', {'code': 'NSH', 'sex': 'F'})
    """

    __slots__ = ("_at", "_values")

    def __init__(self, at: Mapping[str, int], values: Sequence[T]) -> None:
        self._at = at
        self._values = values

    def __getitem__(self, heading: str) -> T:
        """The value under a heading."""
        return self._values[self._at[heading]]

    def __iter__(self) -> Iterator[str]:
        """The headings."""
        return iter(self._at)

    def __len__(self) -> int:
        """How many headings there are."""
        return len(self._at)


class Filled(Mapping[str, str]):
    """A row seen through the facts common to all rows: an empty or missing cell says what ``common`` says.

    Only the names in ``common`` are there.

    Examples
    --------
    >>> row = Filled({"code": "NSH", "sex": ""}, {"sex": "U", "code": "", "trip": "T1"})
    >>> dict(row)
    {'sex': 'U', 'code': 'NSH', 'trip': 'T1'}
    """

    __slots__ = ("_cells", "_common")

    def __init__(self, cells: Mapping[str, str], common: Mapping[str, str]) -> None:
        self._cells = cells
        self._common = common

    def __getitem__(self, name: str) -> str:
        """The row's own cell, else the common fact."""
        common = self._common[name]
        return self._cells.get(name, "") or common

    def __iter__(self) -> Iterator[str]:
        """The names of the common facts."""
        return iter(self._common)

    def __len__(self) -> int:
        """How many names there are."""
        return len(self._common)


def packed(cells: Mapping[str, str], known: dict[tuple[str, ...], dict[str, int]]) -> Cells[str]:
    """The same row with its headings kept once in ``known``, which grows with each new set of headings."""
    headings = tuple(cells)
    return Cells(known.setdefault(headings, places(headings)), tuple(cells.values()))


def places(headings: Sequence[str]) -> dict[str, int]:
    """Where each heading stands; empty ones are left out.

    Examples
    --------
    >>> places(["image", "", "code"])
    {'image': 0, 'code': 2}
    """
    return {heading: place for place, heading in enumerate(headings) if heading}
