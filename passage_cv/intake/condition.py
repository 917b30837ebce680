"""How heavy a fish of a given length should be: published equations, and when none applies.

Lengths in mm, weights in g, logarithms to base 10. The tables ``standard_weight.csv`` and
``weight_relations.csv`` carry the source of every row. Judging a fish by these numbers is done in
``measure_checks``.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from passage_cv.intake.names import Species

_HERE = Path(__file__).parent

SHAPES: Mapping[str, tuple[float, float]] = {
    "eel-like": (0.00102, 3.06),
    "elongated": (0.00389, 3.12),
    "fusiform": (0.0112, 3.04),
    "short and deep": (0.020, 3.01),
}
"""a and b of W (g) = a L (cm)^b by body shape [from memory of: Froese, Thorson & Reyes 2014]."""


@dataclass(frozen=True, slots=True)
class StandardWeight:
    """log10 Ws = intercept + slope log10 TL, from ``min_mm`` on (the bound is inclusive)."""

    intercept: float
    slope: float
    min_mm: float
    source: str


@dataclass(frozen=True, slots=True)
class WeightRelation:
    """Mean weight W = a L^b of one group of a species (mm, g); not a standard weight."""

    scientific_name: str
    group: str
    a: float
    b: float
    length_type: str
    source: str


@cache
def standard_weights() -> Mapping[str, StandardWeight]:
    """The published standard-weight equations, by scientific name."""
    return {
        row["scientific_name"]: StandardWeight(
            float(row["intercept"]), float(row["slope"]), float(row["min_mm"]), row["source"]
        )
        for row in _rows("standard_weight.csv")
    }


@cache
def weight_relations() -> tuple[WeightRelation, ...]:
    """Published length-weight relations of species without a standard weight, and of single stocks."""
    return tuple(
        WeightRelation(
            scientific_name=row["scientific_name"],
            group=row["group"],
            a=10 ** float(row["a"][3:]) if row["a"].startswith("10^") else float(row["a"]),
            b=float(row["b"]),
            length_type=row["length_type"],
            source=row["source"],
        )
        for row in _rows("weight_relations.csv")
    )


def standard_weight_g(scientific_name: str, tl_mm: float) -> float | None:
    """Standard weight Ws: the 75th-percentile weight of the species at a total length.

    Returns
    -------
    float or None
        None where no equation is published, or the fish is shorter than its minimum length: nothing is
        extrapolated.

    References
    ----------
    Murphy et al. 1991; sources of the rows in ``standard_weight.csv``.

    Examples
    --------
    >>> round(standard_weight_g("Morone americana", 200), 3)  # CV-001
    124.174
    >>> standard_weight_g("Morone americana", 79) is None  # CV-016
    True
    """
    equation = standard_weights().get(scientific_name)
    if equation is None or tl_mm < equation.min_mm:
        return None
    return float(10 ** (equation.intercept + equation.slope * math.log10(tl_mm)))


def relative_weight(scientific_name: str, tl_mm: float, weight_g: float) -> float | None:
    """Relative weight Wr = 100 W / Ws in percent, or None where there is no standard weight.

    Examples
    --------
    >>> round(relative_weight("Morone americana", 200, 115), 4)  # CV-014
    92.6121
    """
    standard = standard_weight_g(scientific_name, tl_mm)
    return None if standard is None else 100 * weight_g / standard


def usual_slope(scientific_name: str) -> float:
    """Slope b of log weight on log length: the published one, else the median of many species.

    References
    ----------
    Froese 2006, J Appl Ichthyol 22:241: median b = 3.03 over 3929 relations.
    """
    equation = standard_weights().get(scientific_name)
    return equation.slope if equation else 3.03


def mean_weight_g(relation: WeightRelation, length_mm: float) -> float:
    """Weight that a published relation gives at a length of its own type (mm)."""
    return float(relation.a * length_mm**relation.b)


def expected_weight_g(species: Species, length_mm: float, length_type: str) -> float | None:
    """Weight that published equations let expect: standard weight at total length, else a relation of that length.

    A fork length becomes a total length by the usual ratio of the species; without one, and without a relation of
    its own type, nothing is expected. Several published stocks count by the geometric mean of their weights.

    Examples
    --------
    >>> from passage_cv.intake.names import shipped_names
    >>> round(expected_weight_g(shipped_names().find("WPE"), 200, "TL"), 3)  # CV-001
    124.174
    """
    total = total_length_mm(species, length_mm, length_type)
    standard = standard_weight_g(species.scientific_name, total) if total else None
    if standard is not None:
        return standard
    logs = [
        math.log(mean_weight_g(one, length_mm))
        for one in weight_relations()
        if one.scientific_name == species.scientific_name and one.length_type == length_type
    ]
    return math.exp(sum(logs) / len(logs)) if logs else None


def total_length_mm(species: Species, length_mm: float, length_type: str) -> float | None:
    """Total length of a fish measured otherwise; None where the sheet or the list does not say enough."""
    has_no_fork = species.tail in {"rounded", "pointed", "straight"}
    if length_type == "TL" or (length_type == "FL" and has_no_fork):
        return length_mm
    return length_mm / species.fork_ratio if length_type == "FL" and species.fork_ratio else None


def shape_weight_g(shape: str, length_mm: float) -> float | None:
    """Rough weight by body shape, for "wildly wrong" only; None for an unknown shape.

    Examples
    --------
    >>> round(shape_weight_g("fusiform", 300))
    346
    """
    if shape not in SHAPES:
        return None
    a, b = SHAPES[shape]
    return float(a * (length_mm / 10) ** b)


def intercept_in_cm(a_mm: float, b: float) -> float:
    """The factor a of W = a L^b for lengths in cm, from the one for mm.

    References
    ----------
    FishBase manual, the LENGTH-WEIGHT table.

    Examples
    --------
    >>> round(intercept_in_cm(10**-5.122, 3.136), 7)  # CV-020
    0.0103276
    """
    return float(a_mm * 10**b)


def alewife_tl_mm(fl_mm: float) -> float:
    """Total length of an alewife from its fork length [published: ASMFC 2024 river herring assessment].

    Examples
    --------
    >>> round(alewife_tl_mm(250), 3)  # CV-019
    283.675
    """
    return 7.453906 + 1.104883 * fl_mm


def length_at_age_mm(age_years: float, *, linf_mm: float, k_per_year: float, t0_years: float) -> float:
    """Length of the von Bertalanffy curve: Linf (1 - exp(-K (t - t0))).

    Examples
    --------
    >>> round(length_at_age_mm(2, linf_mm=780, k_per_year=0.48, t0_years=-0.56), 3)  # CV-024
    551.738
    """
    return linf_mm * (1 - math.exp(-k_per_year * (age_years - t0_years)))


def _rows(name: str) -> list[dict[str, str]]:
    with (_HERE / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))
