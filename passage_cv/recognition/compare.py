"""Two runs on the same individuals, each predicted out of fold: which is right more often, and which costs less.

Comes in: two run folders, and a policy where costs are asked for. Goes out: counts, an exact test, intervals, and
the fish that they name differently. Roles ``cut`` and ``test`` are not looked at, so comparing any number of runs
costs no attempt.
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
from passage_cv.policy import Policy
from passage_cv.recognition.heads import mean_of_images
from passage_cv.recognition.paying import cost_of_each, site_shares
from passage_cv.scores import Floats, Scores, read_scores
from passage_cv.stats.agreement import mcnemar_exact, paired_interval
from passage_cv.stats.bootstrap import bootstrap_mean

_SAME = (("version", "versions"), ("roles_sha256", "role train"), ("fold_unit", "fold units"))


@dataclass(frozen=True, slots=True)
class Tally:
    """How two runs did on some individuals, one count per individual.

    ``difference`` is the second run's share right minus the first's, from ``low`` to ``upper``; ``p_value`` is
    McNemar's exact, two-sided.
    """

    individuals: int
    first_right: int
    second_right: int
    only_first: int
    only_second: int
    p_value: float
    difference: float
    low: float
    upper: float


@dataclass(frozen=True, slots=True)
class Disagreement:
    """One individual that the runs name differently; ``cost`` is what the second costs more, with a policy."""

    individual: str
    label: str
    first: str
    second: str
    images: tuple[str, ...]
    cost: float | None = None


@dataclass(frozen=True, slots=True)
class CostDifference:
    """Expected cost per presentation of both runs at a policy's costs and shares, and the second's minus the first's.

    From ``low`` to ``upper`` when whole trips are redrawn (``unit`` says whether trips or individuals), ``units`` of
    them. Each fish gets its action of least expected cost; no cutoff is set here.
    """

    first: float
    second: float
    difference: float
    low: float
    upper: float
    unit: str
    units: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """What :func:`compare_runs` found; ``left_out`` individuals had a class in one fold only.

    ``disagreements`` come with the largest difference of cost first, else in the order of individuals.
    """

    first: Path
    second: Path
    version: str
    left_out: int
    overall: Tally
    per_class: Mapping[str, Tally]
    disagreements: tuple[Disagreement, ...]
    confidence: float
    cost: CostDifference | None = None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {**asdict(self), "first": str(self.first), "second": str(self.second)}


@dataclass(frozen=True, slots=True)
class _Named:
    """The class each individual was given by one run, individuals in sorted order, with its mean logits."""

    logits: Floats
    trip: npt.NDArray[np.str_]
    individual: npt.NDArray[np.str_]
    label: npt.NDArray[np.str_]
    named: npt.NDArray[np.str_]
    is_seen: npt.NDArray[np.bool_]
    images: tuple[tuple[str, ...], ...]


def compare_runs(first: Path, second: Path, *, policy: Policy | None = None, confidence: float = 0.95) -> Comparison:
    """Compare two runs on the out-of-fold predictions of the individuals both learnt from.

    Parameters
    ----------
    first, second
        Run folders.
    policy
        Its costs and shares say what errors cost; its classes must be those of the runs.
    confidence
        Of the intervals.

    Raises
    ------
    InputError
        If a run cannot be read, the two were trained on other versions, roles, fold units or classes, or the policy
        has other classes.
    """
    _require_same(first, second)
    scores = [read_scores(run / "train_scores.parquet") for run in (first, second)]
    _require_same_classes(scores[0], scores[1], f"{first}, {second}")
    if policy is not None:
        _require_policy_classes(scores[0], policy, first)
    one, two = (_name_individuals(each, scores[0].classes) for each in scores)
    used = one.is_seen & two.is_seen
    right = (one.named == one.label, two.named == two.label)
    paid = None if policy is None else _paid(one, two, used, scores[0].classes, policy)
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
        disagreements=_disagreements(one, two, used, paid),
        confidence=confidence,
        cost=None
        if policy is None or paid is None
        else _cost(one, used, paid, scores[0].classes, policy, confidence),
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


def _require_policy_classes(scores: Scores, policy: Policy, where: Path) -> None:
    if set(scores.classes) != set(policy.codes):
        raise InputError(
            f"The runs and the policy differ in the classes {sorted(set(scores.classes) ^ set(policy.codes))}",
            where=str(where),
            do="Train with --policy, or leave the policy out here.",
        )


def _disagreements(
    one: _Named, two: _Named, used: npt.NDArray[np.bool_], paid: tuple[Floats, Floats] | None
) -> tuple[Disagreement, ...]:
    places = np.flatnonzero(used & (one.named != two.named))
    more = np.zeros(len(used)) if paid is None else paid[1] - paid[0]
    order = places[np.argsort(-np.abs(more[places]), kind="stable")]
    return tuple(
        Disagreement(
            individual=str(one.individual[i]),
            label=str(one.label[i]),
            first=str(one.named[i]),
            second=str(two.named[i]),
            images=one.images[i],
            cost=None if paid is None else float(more[i]),
        )
        for i in order
    )


def _paid(
    one: _Named, two: _Named, used: npt.NDArray[np.bool_], classes: tuple[str, ...], policy: Policy
) -> tuple[Floats, Floats]:
    """What each run's action costs for each individual, 0 where it is not used."""
    label = _places(one, classes)
    paid = np.zeros((2, len(used)))
    for row, run in zip(paid, (one, two), strict=True):
        row[used] = cost_of_each(run.logits[used], label[used], classes, policy)
    return paid[0], paid[1]


def _cost(
    one: _Named,
    used: npt.NDArray[np.bool_],
    paid: tuple[Floats, Floats],
    classes: tuple[str, ...],
    policy: Policy,
    confidence: float,
) -> CostDifference:
    has_trips = bool((one.trip[used] != "").all()) and len(np.unique(one.trip[used])) > 1
    unit = np.unique(one.trip[used] if has_trips else one.individual[used], return_inverse=True)[1]
    label, share = _places(one, classes)[used], site_shares(classes, policy)
    first, second, change = (
        bootstrap_mean(values, label, unit, share, confidence=confidence)
        for values in (paid[0][used], paid[1][used], paid[1][used] - paid[0][used])
    )
    return CostDifference(
        first=first.value,
        second=second.value,
        difference=change.value,
        low=change.low,
        upper=change.upper,
        unit="trips" if has_trips else "individuals",
        units=change.clusters,
    )


def _places(named: _Named, classes: tuple[str, ...]) -> npt.NDArray[np.intp]:
    place = {name: i for i, name in enumerate(classes)}
    return np.array([place[str(name)] for name in named.label], dtype=np.intp)


def _name_individuals(scores: Scores, classes: tuple[str, ...]) -> _Named:
    """Names and mean logits, in the class order given."""
    individual, first, place = np.unique(scores.individual, return_index=True, return_inverse=True)
    mean = mean_of_images(scores.values[:, [scores.classes.index(name) for name in classes]], place)
    is_seen = np.asarray(np.isfinite(mean).all(axis=1))
    best = np.where(np.isfinite(mean), mean, -np.inf).argmax(axis=1)
    images: list[list[str]] = [[] for _ in individual]
    for row, one in enumerate(place):
        images[one].append(str(scores.text["image_sha256"][row]))
    return _Named(
        logits=mean,
        trip=scores.text["trip"][first],
        individual=individual,
        label=scores.label[first],
        named=np.array(classes)[best],
        is_seen=is_seen,
        images=tuple(tuple(names) for names in images),
    )


def _tally(
    first: npt.NDArray[np.bool_], second: npt.NDArray[np.bool_], used: npt.NDArray[np.bool_], confidence: float
) -> Tally:
    one, two = first[used], second[used]
    only_first, only_second = int((one & ~two).sum()), int((two & ~one).sum())
    low, upper = paired_interval(only_first, only_second, len(one), confidence=confidence)
    return Tally(
        individuals=len(one),
        first_right=int(one.sum()),
        second_right=int(two.sum()),
        only_first=only_first,
        only_second=only_second,
        p_value=mcnemar_exact(only_first, only_second),
        difference=(only_second - only_first) / len(one),
        low=low,
        upper=upper,
    )
