"""Learnt sums of small decision trees: read from a data file of the package, and asked about rows of numbers.

What they were learnt from stands in the file; ``scripts/fit_views`` writes it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True, eq=False)
class Trees:
    """Trees of one depth, filled up to it: node i has its children at 2 i + 1 (at most the limit) and 2 i + 2.

    ``feature`` and ``limit`` are (n_trees, 2^depth - 1), ``value`` the sums' parts at the leaves (n_trees, 2^depth);
    from ``cutoff`` on, the sum speaks for what was learnt.
    """

    names: tuple[str, ...]
    feature: npt.NDArray[np.int64]
    limit: npt.NDArray[np.float64]
    value: npt.NDArray[np.float64]
    base: float
    cutoff: float

    def score(self, rows: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Log-odds of each row, in shape (n_rows,), as learnt: to be compared with ``cutoff``, not a probability."""
        n_inner = self.feature.shape[1]
        trees = np.arange(len(self.feature))
        at = np.zeros((len(rows), len(trees)), dtype=np.int64)
        every = np.arange(len(rows))[:, None]
        while n_inner and at.size and at[0, 0] < n_inner:
            at = 2 * at + 1 + (rows[every, self.feature[trees, at]] > self.limit[trees, at])
        return np.asarray(self.base + self.value[trees, at - n_inner].sum(axis=1))


@cache
def read_trees(name: str) -> Trees:
    """The trees in ``NAME.json`` beside this module."""
    kept = json.loads(resources.files("passage_cv.intake").joinpath(f"{name}.json").read_text(encoding="utf-8"))
    return Trees(
        names=tuple(kept["names"]),
        feature=np.array(kept["feature"], dtype=np.int64),
        limit=np.array(kept["limit"], dtype=np.float64),
        value=np.array(kept["value"], dtype=np.float64),
        base=float(kept["base"]),
        cutoff=float(kept["cutoff"]),
    )
