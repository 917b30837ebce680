"""What wrong labels do to a measured rate: readers err too, and a rate of 1 % is no larger than their error.

Comes in: counts per class. Goes out: between which values the true rate could lie if one or two in a hundred fish of
a class stood under a wrong name. Nothing is corrected; the report shows it beside what was measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from passage_cv.evaluation.misses import ClassCount

WRONG_SHARES = (0.01, 0.02)
"""Shares of wrong labels that are tried: what a careful second reading still leaves [ours]."""


@dataclass(frozen=True, slots=True)
class LabelEffect:
    """One class's error rate as measured, and what it may truly be at some share of wrong labels.

    ``lowest`` is the true rate if the wrongly named fish are of the other side and were treated like it; ``highest``
    if as many fish of the class stand under other names and all went wrong unseen. ``perfect`` is the rate that a
    perfect gate would seem to have.
    """

    code: str
    group: str
    wrong_share: float
    measured: float
    lowest: float
    highest: float
    perfect: float


def label_effects(counts: Sequence[ClassCount]) -> tuple[LabelEffect, ...]:
    """For every excluded and protected class that was met, the effect of each share of wrong labels."""
    wanted = [count for count in counts if count.group in ("pass", "protected")]
    excluded = [count for count in counts if count.group == "exclude"]
    passed, rejected = _share(wanted, "passed"), _share(excluded, "rejected")
    return tuple(
        _effect(count, share, passed if count.group == "exclude" else rejected)
        for count in counts
        if count.shown and count.group in ("exclude", "protected")
        for share in WRONG_SHARES
    )


def label_effect(errors: int, shown: int, *, other_rate: float, wrong_share: float) -> tuple[float, float, float]:
    """(lowest, highest, perfect): what ``errors`` of ``shown`` may mean where some labels are wrong.

    Parameters
    ----------
    errors, shown
        Fish of the class given the wrong action, and all that bear its name; at least one.
    other_rate
        How often the fish that may have been mistaken for it are given that action, where it is right.
    wrong_share
        Share of the fish bearing the name that are not of the class, and, as fish per fish bearing the name, of
        those of the class that bear another.

    Notes
    -----
    With true rate m, ``errors / shown = (1 - e) m + e other_rate``, solved for m; and at worst
    ``(errors + e shown) / (shown + e shown)``.

    Examples
    --------
    One miss in a hundred is what one wrong label in a hundred makes of a gate without any:

    >>> [round(rate, 4) for rate in label_effect(1, 100, other_rate=0.9, wrong_share=0.01)]
    [0.001, 0.0198, 0.009]
    """
    rate = errors / shown
    lowest = min(1.0, max(0.0, (rate - wrong_share * other_rate) / (1 - wrong_share)))
    return lowest, (rate + wrong_share) / (1 + wrong_share), wrong_share * other_rate


def _effect(count: ClassCount, wrong_share: float, other_rate: float) -> LabelEffect:
    lowest, highest, perfect = label_effect(count.errors, count.shown, other_rate=other_rate, wrong_share=wrong_share)
    return LabelEffect(count.code, count.group, wrong_share, count.errors / count.shown, lowest, highest, perfect)


def _share(counts: Sequence[ClassCount], action: str) -> float:
    shown = sum(count.shown for count in counts)
    return sum(getattr(count, action) for count in counts) / shown if shown else 0.0
