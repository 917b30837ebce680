"""How large a run is, from marks: Petersen, Chapman, Schnabel, Schumacher-Eschmeyer, trap efficiency.

Counts of marked and unmarked fish come in, always apart; an estimate with its error, its interval and the
assumptions it stands on goes out. Whether an assumption holds is a person's answer, never a guess of ours.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
from scipy import special

from passage_cv.errors import InputError
from passage_cv.planning.quantity import level
from passage_cv.stats.binomial import exact_interval, poisson_interval
from passage_cv.stats.require import require_count, require_open

Floats = npt.NDArray[np.float64]

ASSUMPTIONS = MappingProxyType(
    {
        "closed": (
            "No fish came, left, died or was born between marking and recapture.",
            "Newcomers or losses of marked fish make the estimate too high.",
        ),
        "marks-kept": (
            "No mark was lost.",
            "Lost marks make the estimate too high.",
        ),
        "marks-seen": (
            "Every mark was seen and recorded; fish not examined are left out of both counts.",
            "Overlooked marks make the estimate too high.",
        ),
        "equal-catch": (
            "Marked and unmarked fish were equally likely to be caught.",
            "Trap-shy marked fish make it too high, trap-happy ones too low; at a barrier this is usually broken.",
        ),
        "mixed": (
            "Marked fish had time and room to mix with the others.",
            "Marked fish that stay near the trap make it too low.",
        ),
    }
)
"""Key, what must hold, and what happens where it does not [common practice; handbook section 4]."""


@dataclass(frozen=True, slots=True)
class RunSize:
    """An estimate of the number of fish, with its large-sample error and interval.

    ``known`` is the number of different fish seen, below which no interval reaches.
    """

    method: str
    estimate: float
    standard_error: float
    low: float
    upper: float
    confidence: float
    known: int
    formula: str
    source: str


@dataclass(frozen=True, slots=True)
class Occasion:
    """One sample of a multiple census: what was caught, and how many went back with a mark."""

    unmarked: int
    recaptured: int
    returned_marked: int

    @property
    def caught(self) -> int:
        """All fish of the sample."""
        return self.unmarked + self.recaptured


def petersen(marked: int, caught: int, recaptured: int, *, confidence: float = 0.95) -> RunSize:
    """Run size from one marking and one sample: ``M n / m``; too high in small samples.

    Parameters
    ----------
    marked
        Fish marked and released.
    caught
        Fish of the later sample that were examined for a mark.
    recaptured
        Those of them with a mark; at least one.

    Raises
    ------
    InputError
        If the counts cannot be, or no mark was found: then no estimate exists.

    References
    ----------
    Seber 2002, Estimation of Animal Abundance, section 3.1: variance ``M^2 n (n - m) / m^3``.

    Examples
    --------
    >>> round(petersen(948, 421, 167).estimate)  # Krebs 1989 Box 2.1
    2390
    """
    _require_marks(marked, caught, recaptured)
    if recaptured == 0:
        raise InputError(
            f"None of {caught} fish had a mark, so Petersen gives no estimate",
            do="Sample on until marks are found; Chapman would give a number, but only a very uncertain one.",
        )
    error = marked * math.sqrt(caught * (caught - recaptured) / recaptured**3)
    return _normal(
        "Petersen",
        marked * caught / recaptured,
        error,
        confidence,
        marked + caught - recaptured,
        "M n / m",
        "Seber 2002, section 3.1",
    )


def chapman(marked: int, caught: int, recaptured: int, *, confidence: float = 0.95) -> RunSize:
    """Run size from one marking and one sample, corrected for small samples; the one to use by default.

    Arguments as :func:`petersen`; ``recaptured`` may be 0, but then the estimate says little.

    References
    ----------
    Chapman 1951, Univ Calif Publ Stat 1:131; variance Seber 1970, in Seber 2002 section 3.1.

    Examples
    --------
    >>> found = chapman(500, 149, 7)  # Seber Table 3.7
    >>> round(found.estimate), round(found.standard_error)
    (9393, 3022)
    """
    _require_marks(marked, caught, recaptured)
    m1, n1, r1 = marked + 1, caught + 1, recaptured + 1
    variance = m1 * n1 * (marked - recaptured) * (caught - recaptured) / (r1**2 * (recaptured + 2))
    return _normal(
        "Chapman",
        m1 * n1 / r1 - 1,
        math.sqrt(variance),
        confidence,
        marked + caught - recaptured,
        "(M + 1)(n + 1) / (m + 1) - 1; variance (M+1)(n+1)(M-m)(n-m) / ((m+1)^2 (m+2))",
        "Chapman 1951; variance Seber 1970",
    )


def schnabel(occasions: Sequence[Occasion], *, confidence: float = 0.95, corrected: bool = False) -> RunSize:
    """Run size from several samples, all fish going back marked: ``sum(n M) / sum(m)``.

    Parameters
    ----------
    occasions
        In the order of time; ``M`` before each is the sum of marks returned less marks recaptured.
    corrected
        Divide by ``sum(m) + 1`` (Chapman's correction), for few recaptures.

    Raises
    ------
    InputError
        If counts cannot be or no marked fish was retaken.

    Notes
    -----
    The number retaken is taken as Poisson: its exact interval gives that of the estimate, the error is
    ``estimate / sqrt(sum(m))``.

    References
    ----------
    Schnabel 1938, Am Math Mon 45:348; Ricker 1975 p. 99; Krebs 1989 p. 32.
    """
    caught, retaken, at_large = _series(occasions)
    products, marks = float(caught @ at_large), int(retaken.sum())
    divisor = marks + 1 if corrected else marks
    few, many = poisson_interval(marks, confidence=confidence)
    estimate = products / divisor
    known = sum(occasion.unmarked for occasion in occasions)
    return RunSize(
        method="Schnabel with Chapman's correction" if corrected else "Schnabel",
        estimate=estimate,
        standard_error=estimate / math.sqrt(marks),
        low=max(float(known), products / many),
        upper=products / few,
        confidence=confidence,
        known=known,
        formula="sum(n M) / (sum(m) + 1)"
        if corrected
        else "sum(n M) / sum(m); interval from the Poisson limits of sum(m)",
        source="Schnabel 1938; Ricker 1975 p. 99; Krebs 1989 p. 32",
    )


def schumacher_eschmeyer(occasions: Sequence[Occasion], *, confidence: float = 0.95) -> RunSize:
    """Run size from several samples by a weighted line through the marked shares: ``sum(n M^2) / sum(m M)``.

    Arguments and errors as :func:`schnabel`; at least three samples.

    Notes
    -----
    ``1 / N`` has variance ``(sum(m^2 / n) - sum(m M)^2 / sum(n M^2)) / (s - 2) / sum(n M^2)`` and Student
    limits with s - 2 degrees of freedom; where the lower limit of 1 / N is not above 0 the upper limit is
    infinite and refused.

    References
    ----------
    Schumacher & Eschmeyer 1943, J Tenn Acad Sci 18:228; Krebs 1989 p. 33.
    """
    caught, retaken, at_large = _series(occasions)
    if len(occasions) < 3:
        raise InputError(f"{len(occasions)} samples leave no degree of freedom", do="Give at least three samples.")
    squares, products = float(caught @ at_large**2), float(retaken @ at_large)
    inverse = products / squares
    own_share = np.divide(retaken**2, caught, out=np.zeros_like(retaken), where=caught > 0)
    freedom = len(occasions) - 2
    spread = max(0.0, (float(own_share.sum()) - products**2 / squares) / freedom / squares)
    half = float(special.stdtrit(freedom, (1 + confidence) / 2)) * math.sqrt(spread)
    if half >= inverse:
        raise InputError(
            f"Marked shares scatter so much that no upper limit exists at {level(confidence)}",
            do="Sample on, or use schnabel.",
        )
    known = sum(occasion.unmarked for occasion in occasions)
    return RunSize(
        method="Schumacher-Eschmeyer",
        estimate=1 / inverse,
        standard_error=math.sqrt(spread) / inverse**2,
        low=max(float(known), 1 / (inverse + half)),
        upper=1 / (inverse - half),
        confidence=confidence,
        known=known,
        formula="sum(n M^2) / sum(m M); Student limits of 1 / N",
        source="Schumacher & Eschmeyer 1943; Krebs 1989 p. 33",
    )


def trap_efficiency(released: int, retaken: int, unmarked: int, *, confidence: float = 0.95) -> RunSize:
    """Fish passing a trap of measured efficiency: ``C (M + 1) / (m + 1)``, about ``C / (m / M)``.

    Parameters
    ----------
    released
        Marked fish released above the trap.
    retaken
        Of them, retaken in the trap.
    unmarked
        Unmarked fish counted in the trap; the marked are never among them.

    Raises
    ------
    InputError
        If the counts cannot be or no marked fish was retaken.

    Notes
    -----
    The interval divides the count by the exact limits of the efficiency; the error is the delta method's,
    ``N sqrt((1 - e) / m)``, so both speak of the efficiency only, the count being what was counted.

    References
    ----------
    Common practice for stationary traps; correction after Chapman 1951.

    Examples
    --------
    >>> round(trap_efficiency(200, 46, 1380).estimate, 4)
    5901.7021
    """
    _require_marks(released, released, retaken)
    require_count(unmarked, "Unmarked fish counted")
    if retaken == 0:
        raise InputError(
            f"None of {released} marked fish was retaken, so the efficiency is unknown",
            do="Release more marked fish above the trap.",
        )
    low, upper = exact_interval(retaken, released, confidence=confidence)
    estimate = unmarked * (released + 1) / (retaken + 1)
    return RunSize(
        method="Trap efficiency",
        estimate=estimate,
        standard_error=estimate * math.sqrt((1 - retaken / released) / retaken),
        low=max(float(unmarked), unmarked / upper),
        upper=unmarked / low,
        confidence=confidence,
        known=unmarked,
        formula="C (M + 1) / (m + 1); interval C / e with the exact limits of e = m / M",
        source="common practice; correction Chapman 1951",
    )


def raw_trap_expansion(released: int, retaken: int, unmarked: int) -> tuple[float, float]:
    """Efficiency ``m / M`` and the plain expansion ``C / e``, before the correction for small samples.

    Examples
    --------
    >>> efficiency, fish = raw_trap_expansion(200, 46, 1380)
    >>> round(efficiency, 4), round(fish, 1)
    (0.23, 6000.0)
    """
    _require_marks(released, released, retaken)
    if retaken == 0:
        raise InputError(f"None of {released} marked fish was retaken", do="Release more marked fish.")
    return retaken / released, unmarked * released / retaken


def read_occasions(path: Path) -> tuple[Occasion, ...]:
    """Read the samples of a multiple census: CSV with columns unmarked, recaptured, returned_marked.

    Raises
    ------
    InputError
        If the file or a column is missing, or a cell is no count.
    """
    if not path.is_file():
        raise InputError("File of samples is missing", where=str(path), do="Check the path.")
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    names = [field.name for field in fields(Occasion)]
    occasions = []
    for number, row in enumerate(rows, start=2):
        cells = [(row.get(name) or "").strip() for name in names]
        if not all(cell.isdecimal() for cell in cells):
            raise InputError(
                f"Row {number} has {', '.join(f'{n} {c!r}' for n, c in zip(names, cells, strict=True))}",
                where=str(path),
                do="Give a count of 0 or more in each of these columns.",
            )
        occasions.append(Occasion(*map(int, cells)))
    if not occasions:
        raise InputError("File holds no sample", where=str(path), do=f"Give columns {', '.join(names)}.")
    return tuple(occasions)


def _series(occasions: Sequence[Occasion]) -> tuple[Floats, Floats, Floats]:
    """Caught, retaken and marks at large before each sample."""
    at_large, large = [], 0
    for number, occasion in enumerate(occasions, start=1):
        counts = (occasion.unmarked, occasion.recaptured, occasion.returned_marked)
        if min(counts) < 0 or occasion.returned_marked > occasion.caught or occasion.recaptured > large:
            raise InputError(
                f"Sample {number} has {occasion.unmarked} unmarked, {occasion.recaptured} recaptured and "
                f"{occasion.returned_marked} returned with a mark, with {large} marks at large",
                do="Correct the counts: no more recaptured than at large, no more returned than caught.",
            )
        at_large.append(large)
        large += occasion.returned_marked - occasion.recaptured
    caught = np.array([occasion.caught for occasion in occasions], dtype=np.float64)
    retaken = np.array([occasion.recaptured for occasion in occasions], dtype=np.float64)
    if not retaken.sum():
        raise InputError(
            f"No marked fish was retaken in {len(occasions)} samples", do="Sample on until marks are found."
        )
    return caught, retaken, np.array(at_large, dtype=np.float64)


def _normal(
    method: str, estimate: float, error: float, confidence: float, known: int, formula: str, source: str
) -> RunSize:
    require_open(confidence, "Confidence")
    half = -float(special.ndtri((1 - confidence) / 2)) * error
    low = max(float(known), estimate - half)
    return RunSize(method, estimate, error, low, estimate + half, confidence, known, formula, source)


def _require_marks(marked: int, caught: int, recaptured: int) -> None:
    for value, name in ((marked, "Fish marked"), (caught, "Fish caught"), (recaptured, "Fish recaptured")):
        require_count(value, name)
    if not (marked and caught and recaptured <= min(marked, caught)):
        raise InputError(
            f"{recaptured} recaptured of {marked} marked and {caught} caught cannot be",
            do="Give fish marked and caught, and no more recaptured than either.",
        )
