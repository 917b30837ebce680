"""What several looks at one individual, or several individuals of one trip, are worth.

A design effect is a diagnostic: it plans, it never carries a limit, because it fails when a few clusters are
bad (decision-method section 14). A limit counts individuals, or trips.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from passage_cv.errors import InputError


def design_effect(per_cluster: float, correlation: float) -> float:
    """How many times more members a clustered sample needs than independent ones.

    Parameters
    ----------
    per_cluster
        Members per cluster, for example images per individual; at least 1, the mean where they differ.
    correlation
        Intraclass correlation of what is measured, in [0, 1].

    Raises
    ------
    InputError
        If an argument leaves its range.

    References
    ----------
    Kish 1965, Survey Sampling: ``1 + (m - 1) rho``.

    Examples
    --------
    >>> design_effect(5, 0.6)
    3.4
    """
    if not per_cluster >= 1:
        raise InputError(f"Members per cluster is {per_cluster}", do="Give 1 or more.")
    if not 0 <= correlation <= 1:
        raise InputError(f"Correlation is {correlation}, allowed is 0 to 1", do="Give a correlation.")
    return 1 + (per_cluster - 1) * correlation


def effective_size(members: float, *, per_cluster: float, correlation: float) -> float:
    """Independent members worth as much as ``members`` in clusters of ``per_cluster``.

    Examples
    --------
    >>> round(effective_size(1500, per_cluster=5, correlation=0.6), 4)
    441.1765
    """
    if not members >= 0:
        raise InputError(f"Number of members is {members}", do="Give 0 or more.")
    return members / design_effect(per_cluster, correlation)


def intraclass_correlation(values: npt.ArrayLike, clusters: npt.ArrayLike) -> float:
    """How alike members of one cluster are: the one-way analysis-of-variance estimate.

    Parameters
    ----------
    values
        One number per member, for example 1 for a miss and 0 otherwise; shape (n_members,).
    clusters
        The member's cluster, shape (n_members,); sizes may differ.

    Returns
    -------
    float
        1 where members never differ inside a cluster; may fall a little below 0 by chance.

    Raises
    ------
    InputError
        If there are fewer than two clusters, no cluster with two members, or no variation at all.

    References
    ----------
    Donner 1986, Int Stat Rev 54:67 (one-way estimator for unequal sizes).

    Examples
    --------
    >>> intraclass_correlation([1, 1, 0, 0], ["a", "a", "b", "b"])
    1.0
    """
    found = np.asarray(values, dtype=np.float64)
    names, index, sizes = np.unique(np.asarray(clusters), return_inverse=True, return_counts=True)
    if found.ndim != 1 or len(index) != len(found):
        raise InputError(f"{found.shape} values for {len(index)} members", do="Give one value per member.")
    if len(names) < 2 or len(found) == len(names):
        raise InputError(
            f"{len(found)} members in {len(names)} clusters tell no correlation",
            do="Give at least two clusters, one of them with two members.",
        )
    means = np.bincount(index, weights=found) / sizes
    between = float(sizes @ (means - found.mean()) ** 2) / (len(names) - 1)
    within = float(np.sum((found - means[index]) ** 2)) / (len(found) - len(names))
    typical = (len(found) - float(sizes @ sizes) / len(found)) / (len(names) - 1)
    if between + (typical - 1) * within == 0:
        raise InputError("All values are equal, so there is no correlation to tell", do="Report the value.")
    return (between - within) / (between + (typical - 1) * within)
