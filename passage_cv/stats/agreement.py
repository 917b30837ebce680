"""Two models on the same individuals, two readers of the same pictures: paired tests and kappa.

Counts of individuals come in; p-values, differences with their error, and kappas go out. An image is never a
count here: combine the images of an individual first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from passage_cv.errors import InputError
from passage_cv.stats.binomial import probability_at_most
from passage_cv.stats.require import require_count, require_open

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, its large-sample standard error and the normal interval at the confidence asked for."""

    value: float
    standard_error: float
    low: float
    upper: float


def mcnemar_exact(only_first: int, only_second: int) -> float:
    """Two-sided exact p-value that two raters are right equally often on the same individuals.

    Parameters
    ----------
    only_first, only_second
        Individuals that only the first, only the second rater got right; those on which both agree say
        nothing about a difference.

    Returns
    -------
    float
        p-value in (0, 1]; 1 where no individual tells them apart.

    Raises
    ------
    InputError
        If a count is negative.

    References
    ----------
    McNemar 1947, Psychometrika 12:153, in its binomial form.

    Examples
    --------
    >>> mcnemar_exact(1, 8)
    0.0390625
    """
    _require_discordant(only_first, only_second)
    smaller, discordant = min(only_first, only_second), only_first + only_second
    return min(1.0, 2 * probability_at_most(smaller, discordant, 0.5))


def mcnemar_mid_p(only_first: int, only_second: int) -> float:
    """As :func:`mcnemar_exact`, counting the observed outcome by half: less conservative, not exact.

    Examples
    --------
    >>> round(mcnemar_mid_p(1, 8), 8)
    0.02148438
    """
    _require_discordant(only_first, only_second)
    smaller, discordant = min(only_first, only_second), only_first + only_second
    observed = math.exp(_log_choose(discordant, smaller) - discordant * math.log(2))
    if only_first == only_second:
        return 1.0
    return min(1.0, 2 * probability_at_most(smaller, discordant, 0.5) - observed)


def mcnemar_asymptotic(only_first: int, only_second: int) -> tuple[float, float]:
    """Chi-squared statistic without continuity correction and its p-value; wants about 25 discordant.

    Raises
    ------
    InputError
        If a count is negative or no individual tells the two apart.

    Examples
    --------
    >>> statistic, p = mcnemar_asymptotic(150, 86)
    >>> round(statistic, 2), f"{p:.3e}"
    (17.36, '3.099e-05')
    """
    return _mcnemar_chi2(only_first, only_second, correction=0)


def mcnemar_corrected(only_first: int, only_second: int) -> tuple[float, float]:
    """As :func:`mcnemar_asymptotic` with the continuity correction of one individual.

    Examples
    --------
    >>> statistic, p = mcnemar_corrected(150, 86)
    >>> round(statistic, 2)
    16.82
    """
    return _mcnemar_chi2(only_first, only_second, correction=1)


def paired_difference(only_first: int, only_second: int, individuals: int, *, confidence: float = 0.95) -> Estimate:
    """Rate right of the second rater minus that of the first, with its Wald interval.

    Parameters
    ----------
    only_first, only_second
        As :func:`mcnemar_exact`.
    individuals
        All individuals that both saw, the agreed ones included; at least one.

    Raises
    ------
    InputError
        If the counts cannot come from so many individuals.

    Examples
    --------
    >>> found = paired_difference(150, 86, 1600)  # Agresti 2002: -0.04, SE 0.0095
    >>> round(found.value, 2), round(found.standard_error, 4)
    (-0.04, 0.0095)
    """
    _require_discordant(only_first, only_second)
    discordant, gap = only_first + only_second, only_second - only_first
    if individuals < max(1, discordant):
        raise InputError(
            f"{discordant} individuals differ among {individuals}", do="Count every individual both saw."
        )
    error = math.sqrt(discordant - gap**2 / individuals) / individuals
    return _estimate(gap / individuals, error, confidence)


def paired_interval(
    only_first: int, only_second: int, individuals: int, *, confidence: float = 0.95
) -> tuple[float, float]:
    """Interval of :func:`paired_difference` that has a length even where both raters agree throughout.

    Half an individual is added to each cell of the two-way table, then the Wald interval is taken.

    Raises
    ------
    InputError
        As :func:`paired_difference`.

    References
    ----------
    Agresti & Min 2005, Statistics in Medicine 24:729, from memory.

    Examples
    --------
    >>> [round(end, 3) for end in paired_interval(0, 0, 20)]
    [-0.089, 0.089]
    """
    paired_difference(only_first, only_second, individuals, confidence=confidence)
    n, gap, discordant = individuals + 2, only_second - only_first, only_first + only_second + 1
    found = _estimate(gap / n, math.sqrt(discordant - gap**2 / n) / n, confidence)
    return max(-1.0, found.low), min(1.0, found.upper)


def cohen_kappa(table: npt.ArrayLike, *, confidence: float = 0.95) -> Estimate:
    """Agreement of two readers beyond chance, with its large-sample standard error.

    Parameters
    ----------
    table
        Counts, shape (n_classes, n_classes): row = what the first reader said, column = the second.
    confidence
        Of the normal interval, in (0, 1).

    Raises
    ------
    InputError
        If the table is not square counts, or both readers used one and the same class throughout: then
        chance alone explains all agreement and kappa has no value.

    Notes
    -----
    Kappa falls where one class is rare: print the table beside it.

    References
    ----------
    Cohen 1960, Educ Psychol Meas 20:37; error of Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323.

    Examples
    --------
    >>> found = cohen_kappa([[20, 5], [10, 15]])
    >>> round(found.value, 3), round(found.standard_error, 3)
    (0.4, 0.127)
    """
    shares, readings = _shares(table)
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    agreed, by_chance = float(np.trace(shares)), float(rows @ columns)
    if math.isclose(by_chance, 1.0, rel_tol=0, abs_tol=1e-12):
        raise InputError(
            "Both readers used one and the same class throughout, so kappa has no value",
            do="Report the table itself.",
        )
    kappa = (agreed - by_chance) / (1 - by_chance)
    on = np.diag(shares) @ (1 - (rows + columns) * (1 - kappa)) ** 2
    off = shares * (columns[:, None] + rows[None, :]) ** 2
    off_sum = (off.sum() - np.trace(off)) * (1 - kappa) ** 2
    spread = on + off_sum - (kappa - by_chance * (1 - kappa)) ** 2
    error = math.sqrt(max(0.0, float(spread)) / readings) / (1 - by_chance)
    return _estimate(kappa, error, confidence)


def fleiss_kappa(table: npt.ArrayLike) -> float:
    """Agreement of several readers beyond chance, every subject read by equally many.

    Parameters
    ----------
    table
        Counts, shape (n_subjects, n_classes): readers who put the subject into the class.

    Raises
    ------
    InputError
        If subjects have different numbers of readers, or fewer than two, or all readings are one class.

    References
    ----------
    Fleiss 1971, Psychol Bull 76:378.

    Examples
    --------
    >>> round(fleiss_kappa([[0, 3], [3, 0], [1, 2], [3, 0]]), 4)
    0.6571
    """
    counts = _counts(table)
    readers = counts.sum(axis=1)
    if readers.min() < 2 or readers.min() != readers.max():
        raise InputError(
            f"Subjects have {int(readers.min())} to {int(readers.max())} readers",
            do="Give every subject the same number of readers, at least two.",
        )
    n = float(readers[0])
    by_class = counts.sum(axis=0) / counts.sum()
    agreed = float(np.mean((np.sum(counts**2, axis=1) - n) / (n * (n - 1))))
    by_chance = float(by_class @ by_class)
    if math.isclose(by_chance, 1.0, rel_tol=0, abs_tol=1e-12):
        raise InputError("All readings are one class, so kappa has no value", do="Report the table itself.")
    return (agreed - by_chance) / (1 - by_chance)


def _mcnemar_chi2(only_first: int, only_second: int, *, correction: int) -> tuple[float, float]:
    _require_discordant(only_first, only_second)
    discordant = only_first + only_second
    if discordant == 0:
        raise InputError("No individual tells the two apart", do="Use the exact form: its p-value is 1.")
    gap = max(0, abs(only_first - only_second) - correction)
    statistic = gap**2 / discordant
    return statistic, math.erfc(math.sqrt(statistic / 2))


def _estimate(value: float, error: float, confidence: float) -> Estimate:
    require_open(confidence, "Confidence")
    half = -float(special.ndtri((1 - confidence) / 2)) * error
    return Estimate(value, error, value - half, value + half)


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def _require_discordant(only_first: int, only_second: int) -> None:
    require_count(only_first, "Only the first right")
    require_count(only_second, "Only the second right")


def _counts(table: npt.ArrayLike) -> Floats:
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.size == 0 or not (counts >= 0).all() or (counts % 1).any():
        raise InputError(f"Table has shape {counts.shape}", do="Give a two-way table of counts.")
    return counts


def _shares(table: npt.ArrayLike) -> tuple[Floats, float]:
    counts = _counts(table)
    if counts.shape[0] != counts.shape[1] or counts.sum() == 0:
        raise InputError(
            f"Table has shape {counts.shape} and {int(counts.sum())} readings",
            do="Give one row and one column per class, in the same order, and at least one reading.",
        )
    return counts / counts.sum(), float(counts.sum())
