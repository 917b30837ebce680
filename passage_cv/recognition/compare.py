"""Two runs on the same individuals, each predicted out of fold: who is right more often, and on which fish.

Comes in: two run folders. Goes out: counts, an exact test and intervals. Roles ``cut`` and ``test`` are not looked
at, so comparing any number of runs costs no attempt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from passage_cv.errors import InputError
from passage_cv.files import read_json
from passage_cv.recognition.heads import mean_of_images
from passage_cv.scores import Scores, read_scores
from passage_cv.stats.agreement import Estimate, mcnemar_exact, paired_difference

_SAME = (("version", "versions"), ("roles_sha256", "role train"), ("fold_unit", "fold units"))


@dataclass(frozen=True, slots=True)
class Tally:
    """How two runs did on some individuals, one count per individual.

    ``difference`` is the second run's share right minus the first's; ``p_value`` is McNemar's exact, two-sided.
    """

    individuals: int
    first_right: int
    second_right: int
    only_first: int
    only_second: int
    p_value: float
    difference: Estimate


@dataclass(frozen=True, slots=True)
class Disagreement:
    """One individual that only one of the runs named rightly."""

    individual: str
    label: str
    first: str
    second: str
    images: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What :func:`compare_runs` found; ``left_out`` individuals had a class in one fold only."""

    first: Path
    second: Path
    version: str
    left_out: int
    overall: Tally
    per_class: Mapping[str, Tally]
    disagreements: tuple[Disagreement, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {**asdict(self), "first": str(self.first), "second": str(self.second)}


@dataclass(frozen=True, slots=True)
class _Named:
    """The class each individual was given by one run, individuals in sorted order."""

    individual: npt.NDArray[np.str_]
    label: npt.NDArray[np.str_]
    named: npt.NDArray[np.str_]
    is_seen: npt.NDArray[np.bool_]
    images: tuple[tuple[str, ...], ...]


def compare_runs(first: Path, second: Path, *, confidence: float = 0.95) -> Comparison:
    """Compare two runs on the out-of-fold predictions of the individuals both learnt from.

    Parameters
    ----------
    first, second
        Run folders.
    confidence
        Of the intervals.

    Raises
    ------
    InputError
        If a run cannot be read, or the two were trained on other versions, roles, fold units or classes.
    """
    _require_same(first, second)
    scores = [read_scores(run / "train_scores.parquet") for run in (first, second)]
    _require_same_classes(scores[0], scores[1], f"{first}, {second}")
    one, two = (_name_individuals(each) for each in scores)
    used = one.is_seen & two.is_seen
    right = (one.named == one.label, two.named == two.label)
    return Comparison(
        first=first,
        second=second,
        version=str(scores[0].meta.get("version", "")),
        left_out=int((~used).sum()),
        overall=_tally(right[0], right[1], used, confidence),
        per_class={
            name: _tally(right[0], right[1], used & (one.label == name), confidence)
            for name in scores[0].classes
            if (used & (one.label == name)).any()
        },
        disagreements=tuple(
            Disagreement(
                str(one.individual[i]), str(one.label[i]), str(one.named[i]), str(two.named[i]), one.images[i]
            )
            for i in np.flatnonzero(used & (right[0] != right[1]))
        ),
    )


def _require_same(first: Path, second: Path) -> None:
    one, two = (read_json(run / "metrics.json") for run in (first, second))
    for key, what in _SAME:
        if one.get(key) != two.get(key):
            raise InputError(
                f"The runs were trained on other {what}: {str(one.get(key))[:19]} and {str(two.get(key))[:19]}",
                where=f"{first}, {second}",
                do="Train both on the same version; only then are their fish the same.",
            )


def _require_same_classes(one: Scores, two: Scores, where: str) -> None:
    if set(one.classes) != set(two.classes):
        raise InputError(
            f"The runs have other classes: {', '.join(sorted(set(one.classes) ^ set(two.classes)))}",
            where=where,
            do="Train both under the same policy.",
        )


def _name_individuals(scores: Scores) -> _Named:
    individual, first, place = np.unique(scores.individual, return_index=True, return_inverse=True)
    mean = mean_of_images(scores.values, place)
    is_seen = np.asarray(np.isfinite(mean).all(axis=1))
    best = np.where(np.isfinite(mean), mean, -np.inf).argmax(axis=1)
    images: list[list[str]] = [[] for _ in individual]
    for row, one in enumerate(place):
        images[one].append(str(scores.text["image_sha256"][row]))
    return _Named(
        individual=individual,
        label=scores.label[first],
        named=np.array(scores.classes)[best],
        is_seen=is_seen,
        images=tuple(tuple(names) for names in images),
    )


def _tally(
    first: npt.NDArray[np.bool_], second: npt.NDArray[np.bool_], used: npt.NDArray[np.bool_], confidence: float
) -> Tally:
    one, two = first[used], second[used]
    only_first, only_second = int((one & ~two).sum()), int((two & ~one).sum())
    return Tally(
        individuals=len(one),
        first_right=int(one.sum()),
        second_right=int(two.sum()),
        only_first=only_first,
        only_second=only_second,
        p_value=mcnemar_exact(only_first, only_second),
        difference=paired_difference(only_first, only_second, len(one), confidence=confidence),
    )
