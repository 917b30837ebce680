"""How little a row of logits speaks for any class: the centred energy, a number that says "never seen the like"."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

Floats = npt.NDArray[np.float64]


def centred_energy(logits: npt.NDArray[np.floating[Any]]) -> Floats:
    """Mean logit minus the logarithm of the summed exponentials: high where no class stands out.

    Unlike the plain energy it does not move with a constant added to all logits, which no probability shows and no
    two folds share.

    Parameters
    ----------
    logits
        Shape (n, n_classes).

    Returns
    -------
    float64 array (n,)
        At most minus the logarithm of the number of classes; NaN where a logit is not finite.

    References
    ----------
    Liu, Wang, Owens & Li 2020, Energy-based out-of-distribution detection, from memory; the centring is ours.

    Examples
    --------
    >>> centred_energy(np.array([[0.0, 0.0], [3.0, 3.0], [8.0, 0.0]])).round(4).tolist()
    [-0.6931, -0.6931, -4.0003]
    """
    exact = np.asarray(logits, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        found = exact.mean(axis=1) - logsumexp(exact, axis=1)
    return np.where(np.isfinite(exact).all(axis=1), found, np.nan)
