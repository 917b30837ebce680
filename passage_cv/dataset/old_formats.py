"""Stores begun before format 2: what their files left out, worked out from the files before them.

Format 1 of a roles fact named only the units drawn with its own batch, and format 1 of a version file did not
count its batches. Nothing is rewritten: old files keep their bytes and names.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from passage_cv.dataset.facts import BatchEntry, RolesFact, read_fact
from passage_cv.dataset.store import Store
from passage_cv.records import Role


def fill_facts(store: Store, entries: Sequence[BatchEntry]) -> dict[str, RolesFact]:
    """The roles facts of format 1 as they would stand today, by their hash.

    Parameters
    ----------
    store
        Where to read.
    entries
        Every batch in order of acceptance.

    Returns
    -------
    dict
        Each with all roles drawn up to its batch in ``units`` and their number per stratum in ``drawn``. Facts
        that have both by themselves are left out.
    """
    units: dict[str, Role] = {}
    drawn: Counter[str] = Counter()
    filled: dict[str, RolesFact] = {}
    for entry in entries:
        fact = read_fact(store, entry.roles, RolesFact)
        units |= {draw.unit: draw.role for draw in fact.draws}
        drawn.update(draw.stratum for draw in fact.draws)
        if "units" not in fact.model_fields_set:
            filled[entry.roles] = fact.model_copy(update={"units": dict(units), "drawn": dict(drawn)})
    return filled
