"""Which name was meant: proposals for one that no list knows, and for one that the fish contradicts.

A proposal is a person's to accept; nothing here changes a name.
"""

from __future__ import annotations

from collections.abc import Mapping

from passage_cv.intake.names import Names, Species

_LONGEST_CODE = 4
MOST_PROPOSALS = 3


def edit_distance(one: str, other: str, *, most: int) -> int:
    """Letters to change, drop, add or swap with their neighbour; ``most + 1`` where it is more than ``most``.

    References
    ----------
    Damerau 1964, Commun ACM 7:171, in the form that edits no substring twice.

    Examples
    --------
    >>> edit_distance("WPE", "WEP", most=2), edit_distance("BCF", "CCF", most=2), edit_distance("NSH", "EEL", most=2)
    (1, 1, 3)
    """
    if abs(len(one) - len(other)) > most:
        return most + 1
    before, row = [0] * (len(other) + 1), list(range(len(other) + 1))
    for i, a in enumerate(one, start=1):
        last, before, row = before, row, [i]
        for j, b in enumerate(other, start=1):
            cost = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (a != b))
            if i > 1 and j > 1 and a == other[j - 2] and one[i - 2] == b:
                cost = min(cost, last[j - 2] + 1)
            row.append(cost)
        if min(row) > most:
            return most + 1
    return min(row[-1], most + 1)


def propose_names(text: str, names: Names, counts: Mapping[str, int]) -> list[Species]:
    """Species whose name, code or synonym is close to a text: nearest first, then commonest in the batch.

    Parameters
    ----------
    text
        The name or code in the sheet.
    names
        The list to look in.
    counts
        Lines of the batch per scientific name.
    """
    most = 1 if len(text.strip()) <= _LONGEST_CODE else 2
    wanted = " ".join(text.split()).casefold()
    ranked: list[tuple[int, int, str, Species]] = []
    for one in names.species:
        written = (
            name.casefold() for name in (one.scientific_name, one.code, one.common_name, *one.synonyms) if name
        )
        apart = min(edit_distance(wanted, name, most=most) for name in written)
        if apart <= most:
            ranked.append((apart, -counts.get(one.scientific_name, 0), one.scientific_name, one))
    return [one for *_, one in sorted(ranked, key=lambda rank: rank[:3])[:MOST_PROPOSALS]]


def code_neighbours(species: Species, names: Names) -> list[Species]:
    """Species whose code differs by one edit, as BCF and CCF: what a slip of the pen turns one into."""
    if not species.code:
        return []
    return [
        one
        for one in names.species
        if one.code and one.code != species.code and edit_distance(one.code, species.code, most=1) <= 1
    ]
