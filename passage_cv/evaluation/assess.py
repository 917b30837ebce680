"""Assemble everything the report says from scores and cutoffs; draws nothing and writes nothing.

Role ``test`` gives the miss rates, role ``cut`` the cost curve it was set on. ``test`` never changes a cutoff.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from passage_cv.decision.combine import Individuals, combine_views
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.errors import InputError
from passage_cv.evaluation.breakdown import Slice, break_down
from passage_cv.evaluation.cards import DataCard, Facts, data_card, model_card, weak_points
from passage_cv.evaluation.cases import Case, NearestPictures, worst_cases
from passage_cv.evaluation.costs import CostCurve, cost_curve, held_share, mean_cost
from passage_cv.evaluation.holds import HoldCount, UnfamiliarHolds, count_holds, count_unfamiliar
from passage_cv.evaluation.judging import Judged, classes_by_group, judge, named_classes
from passage_cv.evaluation.labels import LabelEffect, label_effects
from passage_cv.evaluation.lengths import ProvenLength, proven_lengths
from passage_cv.evaluation.misses import ClassCount, confusion_table, count_actions, count_groups
from passage_cv.evaluation.readers import NamingError, SecondReadings, naming_errors
from passage_cv.evaluation.reliability import Reliability, assess_reliability
from passage_cv.evaluation.trips import TripLine, leave_one_trip_out
from passage_cv.evaluation.whatif import WhatIf, what_if
from passage_cv.scores import Scores


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything the report says; ``checked`` is False where no individual has role ``test``.

    ``confidence`` is that of each interval of ``counts``; with ``simultaneous`` it was raised so that all of them
    hold together at the confidence asked for.
    """

    cutoffs: Cutoffs
    checked: bool
    simultaneous: bool
    confidence: float
    judged: Judged
    cut: Judged
    counts: tuple[ClassCount, ...]
    groups: tuple[ClassCount, ...]
    holds: tuple[HoldCount, ...]
    unfamiliar: tuple[UnfamiliarHolds, ...]
    slices: tuple[Slice, ...]
    confusion: npt.NDArray[np.intp]
    reliability: Reliability | None
    proven: tuple[ProvenLength, ...]
    labels: tuple[LabelEffect, ...]
    readings: SecondReadings | None
    naming: tuple[NamingError, ...]
    worst: tuple[Case, ...]
    curve: CostCurve
    left_out: tuple[TripLine, ...]
    data: DataCard
    model: Facts
    weak: tuple[str, ...]
    what_if: WhatIf | None

    @property
    def accuracy(self) -> float | None:
        """Share of individuals whose first-named class is right; None without class scores or fish."""
        total = int(self.confusion.sum())
        return float(np.trace(self.confusion)) / total if total else None

    @property
    def cost(self) -> float:
        """Mean cost per presentation on the judged individuals, at the site's shares."""
        return mean_cost(self.judged, self.cutoffs)

    @property
    def held(self) -> float:
        """Share of presentations held on the judged individuals, at the site's shares."""
        return held_share(self.judged, self.cutoffs)


def assess(
    scores: Scores,
    cutoffs: Cutoffs,
    *,
    worst: int = 12,
    confidence: float = 0.95,
    simultaneous: bool = False,
    nearest: NearestPictures | None = None,
    readings: SecondReadings | None = None,
) -> Assessment:
    """Judge the ``test`` individuals with fixed cutoffs (the ``cut`` ones, as unchecked, where there is no test).

    Parameters
    ----------
    scores
        Of the cutoffs' model.
    cutoffs
        Fixed before the ``test`` individuals were scored.
    worst
        How many cases to show.
    confidence
        Of every interval, in (0, 1).
    simultaneous
        Divide the tail by the number of classes, so that the intervals of all classes hold together.
    nearest
        Finds the training pictures most like a case's; without it none are shown.
    readings
        What second readers said of fish of the same data set; without it reader error is not known.

    Raises
    ------
    InputError
        If the scores are not those of the cutoffs' model, or neither role has an individual.
    """
    _require_same_model(scores, cutoffs)
    individuals = combine_views(scores, cutoffs.views)
    cut, test = (judge(individuals.with_role(role), cutoffs) for role in ("cut", "test"))
    checked = len(test.individuals) > 0
    judged = test if checked else cut
    if not len(judged.individuals):
        raise InputError("No individual has role test or cut", where=scores.source, do="Score those roles.")
    groups = classes_by_group(cutoffs)
    each = 1 - (1 - confidence) / len(groups) if simultaneous else confidence
    counts = count_actions(judged.individuals, judged.actions, groups, confidence=each)
    unfamiliar = (count_unfamiliar(one, cutoffs, role) for role, one in (("cut", cut), ("test", test)))
    slices = break_down(judged, groups, confidence=confidence)
    confusion = _confusion(judged.individuals, cutoffs)
    return Assessment(
        cutoffs=cutoffs,
        checked=checked,
        simultaneous=simultaneous,
        confidence=each,
        judged=judged,
        cut=cut,
        counts=counts,
        groups=count_groups(judged.individuals, judged.actions, groups, confidence=confidence),
        holds=count_holds(judged, cutoffs),
        unfamiliar=tuple(one for one in unfamiliar if one is not None),
        slices=slices,
        confusion=confusion,
        reliability=assess_reliability(judged, cutoffs),
        proven=proven_lengths(judged, cutoffs, confidence=confidence),
        labels=label_effects(counts),
        readings=readings,
        naming=naming_errors(readings, confusion, confidence=confidence),
        worst=worst_cases(judged, cutoffs, worst, nearest=nearest),
        curve=cost_curve(cut, cutoffs),
        left_out=leave_one_trip_out(cut, cutoffs),
        data=data_card(scores, cutoffs),
        model=model_card(scores, cutoffs),
        weak=weak_points(scores, cutoffs, counts, slices, confusion),
        what_if=what_if(scores, cutoffs),
    )


def _require_same_model(scores: Scores, cutoffs: Cutoffs) -> None:
    model = str(scores.meta.get("model_sha256", ""))
    if model and cutoffs.model and model != cutoffs.model:
        raise InputError(
            f"Scores come from model {model[:8]}, the cutoffs were set for {cutoffs.model[:8]}",
            where=scores.source,
            do="Score with the cutoffs' model, or run calibrate on these scores.",
        )


def _confusion(individuals: Individuals, cutoffs: Cutoffs) -> npt.NDArray[np.intp]:
    if individuals.is_gate_score:
        return np.zeros((0, 0), dtype=np.intp)
    true = [str(label) for label in individuals.label]
    return confusion_table(true, named_classes(individuals, cutoffs), cutoffs.classes)
