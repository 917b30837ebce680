"""The same counts, cut by what the river, the crew and the cameras did: size, trip, site, set-up, light, turbidity.

Comes in: judged individuals. Goes out: one row per value and class or group, with its own exact interval. These rows
say where to look; a limit is claimed for none of them, and of many intervals some miss their truth by chance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from passage_cv.decision.combine import Individuals, Ints, name_codes
from passage_cv.evaluation.judging import Judged
from passage_cv.evaluation.misses import GROUP_NAMES, ClassCount, count_row
from passage_cv.policy import Group
from passage_cv.scores import Floats

NOT_GIVEN = "not given"
TURBIDITY_EDGES_NTU = (20, 50)
"""Above about 20 NTU the pattern is hidden, above about 50 only the outline is left (common practice)."""
SIZE_STEP_MM = 100
"""Width of a size class [ours]."""


@dataclass(frozen=True, slots=True)
class Slice:
    """The individuals of a class (or group) that share one value of one property."""

    by: str
    value: str
    is_group: bool
    count: ClassCount


@dataclass(frozen=True, slots=True)
class Values:
    """The values of one property in the order they are shown, and the place of each individual's among them."""

    names: tuple[str, ...]
    codes: Ints


def size_classes(length_mm: Floats) -> Values:
    """Classes of 100 mm.

    Examples
    --------
    >>> found = size_classes(np.array([299.9, 300.0, np.nan]))
    >>> found.names, found.codes.tolist()
    (('200 to 299 mm', '300 to 399 mm', 'not given'), [0, 1, 2])
    """
    low = np.floor(length_mm / SIZE_STEP_MM) * SIZE_STEP_MM
    edges, codes = np.unique(low, return_inverse=True)  # NaN comes last
    names = [NOT_GIVEN if np.isnan(edge) else f"{edge:.0f} to {edge + SIZE_STEP_MM - 1:.0f} mm" for edge in edges]
    return Values(tuple(names), codes)


def turbidity_classes(turbidity_ntu: Floats) -> Values:
    """Clear, pattern hidden, outline only.

    Examples
    --------
    >>> found = turbidity_classes(np.array([20.0, 20.1, 50.1, np.nan]))
    >>> found.codes.tolist()
    [0, 1, 2, 3]
    """
    clear, outline = TURBIDITY_EDGES_NTU
    names = (f"up to {clear} NTU", f"above {clear}, up to {outline} NTU", f"above {outline} NTU", NOT_GIVEN)
    return Values(names, np.searchsorted([clear, outline, np.inf], turbidity_ntu))  # NaN comes last


def _text(name: str) -> Callable[[Individuals], Values]:
    def values(individuals: Individuals) -> Values:
        column = individuals.text[name]
        found, codes = np.unique(np.where(column == "", _LAST, column), return_inverse=True)
        return Values(tuple(NOT_GIVEN if value == _LAST else str(value) for value in found), codes)

    return values


_LAST = "\U0010ffff"
"""Sorts behind every name; stands for an empty cell while values are sorted."""

PROPERTIES: dict[str, Callable[[Individuals], Values]] = {
    "size": lambda individuals: size_classes(individuals.numbers["length_mm"]),
    "trip": _text("trip"),
    "site": _text("site"),
    "set-up": _text("setup_id"),
    "light": _text("light"),
    "turbidity": lambda individuals: turbidity_classes(individuals.numbers["turbidity_NTU"]),
    "recorded by": _text("recordedBy"),
}
"""What the counts are cut by; a property that no individual has is left out."""


def break_down(judged: Judged, groups: Mapping[str, Group], *, confidence: float = 0.95) -> tuple[Slice, ...]:
    """Rows per property, value and group, each group's row before those of its classes; empty ones are left out."""
    labels, trips = name_codes(judged.individuals.label), name_codes(judged.individuals.trip)
    names = np.unique(judged.individuals.label).tolist()
    sets = _label_sets(names, groups)
    out = []
    for by, values_of in PROPERTIES.items():
        values = values_of(judged.individuals)
        if {values.names[code] for code in np.unique(values.codes)} <= {NOT_GIVEN}:
            continue
        for value, rows in _rows_of(values):
            for code, group, members in sets:
                own = rows[np.isin(labels[rows], members)]
                if len(own):
                    count = count_row(judged.actions, trips, own, code, group, confidence)
                    out.append(Slice(by, value, code in GROUP_NAMES.values(), count))
    return tuple(out)


def _label_sets(names: Sequence[str], groups: Mapping[str, Group]) -> list[tuple[str, Group, list[int]]]:
    """(row name, group, label numbers) of every group and of each of its classes that was met."""
    place = {name: i for i, name in enumerate(names)}
    out = []
    for group, title in GROUP_NAMES.items():
        codes = [code for code, own in groups.items() if own == group and code in place]
        out += [(title, group, [place[code] for code in codes]), *((code, group, [place[code]]) for code in codes)]
    return out


def _rows_of(values: Values) -> Iterator[tuple[str, Ints]]:
    """Each value that was met with the rows of its individuals."""
    order = np.argsort(values.codes, kind="stable")
    ends = np.searchsorted(values.codes[order], np.arange(len(values.names)), side="right")
    for name, rows in zip(values.names, np.split(order, ends[:-1]), strict=True):
        if len(rows):
            yield name, rows
