"""Down to which length a miss limit was proven, per excluded class.

Comes in: judged individuals with their lengths. Goes out: the smallest length L such that fish of L or longer were
shown to keep the class's limit, with what was tested on the way and what the number does not say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.judging import Judged
from passage_cv.records import Action
from passage_cv.scores import Floats
from passage_cv.stats.binomial import exact_interval, trials_needed, upper_limit

STEP_MM = 10
"""Lengths are tried in steps of this [ours]: finer than anybody reads a fish off a board in a hurry."""
NEAR = 1.2
"""Fish up to a fifth longer than L say what the smallest proven fish are like [ours]."""


@dataclass(frozen=True, slots=True)
class ProvenLength:
    """What was shown down to which length; ``length_mm`` is None where nothing was.

    ``shown`` and ``missed`` count the fish of that length or longer (all measured fish where nothing was shown),
    ``near_shown`` and ``near_missed`` those at most a fifth longer. ``needed`` fish without a miss would be enough.
    """

    code: str
    limit: float
    confidence: float
    length_mm: int | None
    shown: int
    missed: int
    near_shown: int
    near_missed: int
    unmeasured: int
    needed: int

    @property
    def near_interval(self) -> tuple[float, float]:
        """Exact two-sided interval of the miss rate of the fish nearest to the length."""
        return exact_interval(self.near_missed, self.near_shown, confidence=self.confidence)


def proven_lengths(judged: Judged, cutoffs: Cutoffs, *, confidence: float = 0.95) -> tuple[ProvenLength, ...]:
    """The smallest proven length of every excluded class with a miss limit and a measured fish."""
    lengths, passed = judged.individuals.numbers["length_mm"], judged.took(Action.PASS)
    out = []
    for limit in cutoffs.limits:
        own = judged.individuals.label == limit.class_
        if limit.kind == "miss" and np.isfinite(lengths[own]).any():
            out.append(prove_length(limit.class_, lengths[own], passed[own], limit.limit, confidence=confidence))
    return tuple(out)


def prove_length(
    code: str,
    length_mm: Floats,
    passed: np.ndarray[tuple[int], np.dtype[np.bool_]],
    limit: float,
    *,
    confidence: float,
) -> ProvenLength:
    """Go down from the longest fish in steps and stop at the first length that cannot be shown.

    Parameters
    ----------
    length_mm
        Of fish of one class, NaN where not measured; those are left out.
    passed
        Whether the gate let each pass.
    limit, confidence
        The miss rate to be shown, one-sided.

    Notes
    -----
    Assumes: the cutoffs were fixed before these fish were scored; fish of at least L that the gate meets have the
    mix of lengths sampled. The lengths to try follow from the lengths alone, longest first, beginning where enough
    fish are long enough for the claim, so that all claims down to the last one hold together at ``confidence``
    (fixed-sequence testing, Bauer 1991).

    Examples
    --------
    >>> lengths, passed = np.arange(200.0, 300.0), np.zeros(100, dtype=bool)
    >>> prove_length("NSH", lengths, passed, 0.05, confidence=0.95).length_mm
    200
    >>> passed[:3] = True  # the three shortest
    >>> prove_length("NSH", lengths, passed, 0.05, confidence=0.95).length_mm
    210
    """
    measured = np.isfinite(length_mm)
    order = np.argsort(-length_mm[measured], kind="stable")
    lengths, missed = length_mm[measured][order], np.cumsum(passed[measured][order])
    needed = trials_needed(limit=limit, delta=1 - confidence)
    proven: int | None = None
    for length, n in _steps(lengths, needed):
        if upper_limit(int(missed[n - 1]), n, confidence=confidence) > limit:
            break
        proven = length
    n_long = int((lengths >= (proven or -math.inf)).sum())
    near = (lengths >= (proven or math.inf)) & (lengths <= NEAR * (proven or 0))
    return ProvenLength(
        code=code,
        limit=limit,
        confidence=confidence,
        length_mm=proven,
        shown=n_long,
        missed=int(missed[n_long - 1]),
        near_shown=int(near.sum()),
        near_missed=int(passed[measured][order][near].sum()),
        unmeasured=int((~measured).sum()),
        needed=needed,
    )


def _steps(lengths: Floats, needed: int) -> list[tuple[int, int]]:
    """(length, fish of at least that length) from the first step with enough fish down to the shortest fish."""
    if len(lengths) < needed:
        return []
    top = math.floor(lengths[needed - 1] / STEP_MM) * STEP_MM
    bottom = math.floor(lengths[-1] / STEP_MM) * STEP_MM
    tried = range(top, bottom - 1, -STEP_MM)
    return [(length, int(np.searchsorted(-lengths, -length, side="right"))) for length in tried]
