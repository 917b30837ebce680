"""How far second readers agree with the labels: the table, Cohen's kappa, and which fish are disputed.

Only fish drawn at random count for kappa, one reading each: a fish read because a model disputes it says
nothing about the others.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from passage_cv.dataset.readings import Reading, readings_of
from passage_cv.dataset.store import Store
from passage_cv.errors import InputError
from passage_cv.stats.agreement import Estimate, cohen_kappa


@dataclass(frozen=True, slots=True)
class Agreement:
    """Second readers against the labels that stood.

    ``table[i][j]`` counts individuals labelled ``classes[i]`` and read as ``classes[j]``, by the first reading
    of each; ``unsure`` were read and not told, ``chosen`` read because something was wrong with them, and neither is
    in the table. ``kappa`` is None where it has no value, and ``reason`` says why. ``disputed`` holds every reading,
    drawn or chosen, that says another species than the label.
    """

    classes: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    readers: tuple[str, ...]
    n_read: int
    agreed: int
    unsure: int
    chosen: int
    kappa: Estimate | None
    reason: str
    disputed: tuple[Reading, ...]


def agreement(store: Store, *, confidence: float = 0.95) -> Agreement:
    """Agreement of all second readings kept in a store; see :func:`agreement_of`."""
    return agreement_of(readings_of(store), confidence=confidence)


def agreement_of(readings: Iterable[Reading], *, confidence: float = 0.95) -> Agreement:
    """Compare readings with the labels that stood when they were made.

    Parameters
    ----------
    readings
        Oldest first; where a fish has several, the first counts.
    confidence
        Of kappa's interval, in (0, 1).

    Notes
    -----
    Assumes: the fish that count were drawn at random, and their readers had not seen the labels.
    """
    given = list(readings)
    first: dict[str, Reading] = {}
    for one in (one for one in given if one.drawn):
        first.setdefault(one.individual, one)
    told = [one for one in first.values() if one.scientificName]
    classes = tuple(sorted({name for one in told for name in (one.first, one.scientificName)}))
    table = np.zeros((len(classes), len(classes)), dtype=np.int64)
    for one in told:
        table[classes.index(one.first), classes.index(one.scientificName)] += 1
    kappa, reason = _kappa(table, confidence)
    return Agreement(
        classes=classes,
        table=tuple(tuple(int(n) for n in row) for row in table),
        readers=tuple(sorted({one.reader for one in given})),
        n_read=len(told),
        agreed=int(np.trace(table)),
        unsure=len(first) - len(told),
        chosen=len({one.individual for one in given if not one.drawn}),
        kappa=kappa,
        reason=reason,
        disputed=tuple(one for one in given if one.scientificName not in {"", one.first}),
    )


def _kappa(table: np.ndarray, confidence: float) -> tuple[Estimate | None, str]:
    if not table.size:
        return None, "no fish was read"
    try:
        return cohen_kappa(table, confidence=confidence), ""
    except InputError as error:
        return None, error.what
