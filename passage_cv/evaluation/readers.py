"""Reader error beside model error: how often each calls a fish otherwise than its label.

Comes in: counts of second readings made blind to the label, and the table of true against named classes. Goes out:
two rates with exact intervals, side by side. A model cannot be shown better than the labels it is judged by.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from passage_cv.stats.agreement import Estimate
from passage_cv.stats.binomial import exact_interval


@dataclass(frozen=True, slots=True)
class SecondReadings:
    """Fish drawn at random and read again, blind: how many were told, how many of them otherwise, how many not told.

    ``kappa`` is Cohen's, None where it has no value.
    """

    read: int
    differed: int
    unsure: int
    readers: int
    kappa: Estimate | None = None


@dataclass(frozen=True, slots=True)
class NamingError:
    """How many fish of ``named`` were called otherwise than their label."""

    by: str
    named: int
    otherwise: int
    confidence: float

    @property
    def rate(self) -> float | None:
        """Share called otherwise; None where nothing was named."""
        return self.otherwise / self.named if self.named else None

    @property
    def interval(self) -> tuple[float, float]:
        """Exact two-sided interval of the rate; [0, 1] where nothing was named."""
        return exact_interval(self.otherwise, self.named, confidence=self.confidence)


def naming_errors(
    readings: SecondReadings | None, confusion: npt.NDArray[np.intp], *, confidence: float
) -> tuple[NamingError, ...]:
    """The second readers' row, where there are readings, and the model's, where it names classes.

    Parameters
    ----------
    readings
        None where nobody has read a fish again.
    confusion
        Individuals by true class (rows) and by the class that the model names first (columns).
    confidence
        Of the intervals, in (0, 1).

    Examples
    --------
    >>> readings = SecondReadings(read=60, differed=1, unsure=2, readers=2)
    >>> for one in naming_errors(readings, np.array([[50, 2], [1, 47]]), confidence=0.95):
    ...     print(one.by, one.otherwise, one.named, [round(end, 4) for end in one.interval])
    second readers 1 60 [0.0004, 0.0894]
    the model 3 100 [0.0062, 0.0852]
    """
    rows = []
    if readings is not None and readings.read:
        rows.append(NamingError("second readers", readings.read, readings.differed, confidence))
    if confusion.size and confusion.sum():
        wrong = int(confusion.sum() - np.trace(confusion))
        rows.append(NamingError("the model", int(confusion.sum()), wrong, confidence))
    return tuple(rows)
