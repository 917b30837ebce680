"""Several images of one individual become one row: decision is per fish, never per image.

Comes in: a :class:`~passage_cv.scores.Scores` record. Goes out: :class:`Individuals`, one row per individual,
with the mean of its images' scores and the reason to hold it where there is one. Nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import log_softmax

from passage_cv.errors import InputError
from passage_cv.policy import Views
from passage_cv.scores import Floats, Scores, Strings

PROBABILITY_FLOOR = 1e-12
"""Floor of ready probabilities before the logarithm (formats 3), so that one zero cannot veto a class."""

Ints = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Individuals:
    """One row per individual, in order of first appearance.

    ``values`` has shape (n_individuals, n_classes): the weighted mean of the images' logits (or logarithms of
    their probabilities), or (n_individuals, 1) for ready gate scores. ``n_views`` counts the images used,
    ``first_row`` is the row of its first image in the scores, ``numbers`` are those of that image but for
    ``unfamiliarity``, which is the mean over the images used, ``hold_reason`` is ``""`` or why the gate would
    hold this fish whatever its score.
    """

    classes: tuple[str, ...]
    is_gate_score: bool
    values: Floats
    n_views: Ints
    first_row: Ints
    text: Mapping[str, Strings]
    numbers: Mapping[str, Floats]
    hold_reason: Strings

    def __len__(self) -> int:
        return len(self.values)

    @property
    def name(self) -> Strings:
        """Identity of each individual."""
        return self.text["individual"]

    @property
    def label(self) -> Strings:
        """True class of each individual."""
        return self.text["class"]

    @property
    def trip(self) -> Strings:
        """Sampling trip of each individual, ``""`` where the scores have none."""
        return self.text["trip"]

    def where(self, keep: npt.NDArray[np.bool_]) -> Individuals:
        """The rows where ``keep`` is true, in the same order."""
        return replace(
            self,
            values=self.values[keep],
            n_views=self.n_views[keep],
            first_row=self.first_row[keep],
            text={name: column[keep] for name, column in self.text.items()},
            numbers={name: column[keep] for name, column in self.numbers.items()},
            hold_reason=self.hold_reason[keep],
        )

    def with_role(self, role: str) -> Individuals:
        """The individuals of one role."""
        return self.where(self.text["role"] == role)


def combine_views(scores: Scores, views: Views) -> Individuals:
    """One row per individual: the first occurrence, its first ``views.max`` images, their weighted mean.

    Images of an occurrence come in the order of ``taken_at``, then of the sheet. Mean logit and mean
    log-probability are the same thing after a softmax (decision-method 3); with ``views.floor`` each image's
    probabilities are floored before the mean. A fish is held where an image used has a hold reason, where a score is
    not a finite number, or where there are fewer than ``views.min`` images.

    Raises
    ------
    InputError
        If a view's quality weight is not a positive number.

    Examples
    --------
    >>> from passage_cv.scores import build_scores
    >>> scores = build_scores("logit", ["A", "B"], np.array([[2.0, 0.0], [4.0, 0.0], [0.0, 1.0]]),
    ...                       {"individual": ["f1", "f1", "f2"], "class": ["A", "A", "B"]})
    >>> combine_views(scores, Views()).values.tolist()
    [[3.0, 0.0], [0.0, 1.0]]
    """
    rows, starts = _used_rows(scores, views.max)
    _require_weights(scores)
    values, weights = _as_logs(scores)[rows], scores.numbers["view_weight"][rows]
    means = mean_views(values, weights, starts, floor=views.floor)
    finite = np.logical_and.reduceat(np.isfinite(values).all(axis=1), starts)
    n_views = np.diff(np.append(starts, len(rows)))
    first = rows[starts]
    order = np.argsort(_first_appearance(scores.individual)[first], kind="stable")
    reasons = _hold_reasons(scores.text["hold_reason"][rows], starts, finite, n_views, views.min)
    numbers = {name: column[first] for name, column in scores.numbers.items()}
    numbers["unfamiliarity"] = np.add.reduceat(scores.numbers["unfamiliarity"][rows], starts) / n_views
    return Individuals(
        classes=scores.classes,
        is_gate_score=scores.kind == "gate_score",
        values=means[order],
        n_views=n_views[order],
        first_row=first[order],
        text={name: column[first][order] for name, column in scores.text.items()},
        numbers={name: column[order] for name, column in numbers.items()},
        hold_reason=reasons[order],
    )


def mean_views(values: Floats, weights: Floats, starts: Ints, *, floor: float | None = None) -> Floats:
    """Weighted mean of the views of each individual, shape (n_individuals, n_classes).

    Parameters
    ----------
    values
        Logits, log-probabilities or gate scores of the views, grouped by individual, shape (n_views, n_classes).
    weights
        Quality weights, positive; only their ratios within an individual matter.
    starts
        First view of each individual.
    floor
        Least probability of a class that a single view may claim; then the means are of log-probabilities.

    Examples
    --------
    One bad view says that class A is impossible; floored at 1 % it cannot veto it:

    >>> views = np.log([[0.9, 0.1], [0.9, 0.1], [1e-9, 1.0]])
    >>> means = [mean_views(views, np.ones(3), np.array([0]), floor=floor)[0] for floor in (None, 0.01)]
    >>> [round(float(mean[0] - mean[1]), 2) for mean in means]
    [-5.44, -0.07]
    """
    if floor is not None:
        with np.errstate(invalid="ignore"):  # an infinite logit gives NaN, and NaN holds
            values = np.maximum(log_softmax(values, axis=1), np.log(floor))
    totals = np.add.reduceat(weights, starts)
    return np.asarray(np.add.reduceat(values * weights[:, None], starts, axis=0) / totals[:, None])


def evidence(n_views: npt.NDArray[np.int_] | Ints, rho: float) -> Floats:
    """How many independent images m alike images of one fish are worth: m / (1 + (m - 1) rho).

    Source: decision-method 3; the design effect of Kish 1965 applied to log evidence. ``rho`` = 1 leaves the
    mean as it is, 0 is the product rule.
    """
    m = np.asarray(n_views, dtype=np.float64)
    return m / (1 + (m - 1) * rho)


def name_codes(names: Strings) -> Ints:
    """A whole number per distinct name, in their order, and -1 for an empty one.

    Examples
    --------
    >>> name_codes(np.array(["T2", "", "T1", "T2"])).tolist()
    [1, -1, 0, 1]
    """
    found, codes = np.unique(names, return_inverse=True)
    return np.asarray(codes - 1 if len(found) and found[0] == "" else codes, dtype=np.intp)


def _require_weights(scores: Scores) -> None:
    weights = scores.numbers["view_weight"]
    bad = np.flatnonzero(~(np.isfinite(weights) & (weights > 0)))
    if len(bad):
        raise InputError(
            f"view_weight is {weights[bad[0]]:g} in row {bad[0] + 2}, a positive number is needed",
            where=scores.source,
            do="Leave an image out instead of giving it no weight.",
        )


def _as_logs(scores: Scores) -> Floats:
    if scores.kind == "prob":
        return np.log(np.maximum(scores.values, PROBABILITY_FLOOR))
    return scores.values


def _first_appearance(names: Strings) -> Ints:
    """For each row the index of the first row with the same name."""
    _, first, group = np.unique(names, return_index=True, return_inverse=True)
    return first[group]


def _used_rows(scores: Scores, most: int) -> tuple[Ints, Ints]:
    """Rows to use, grouped by individual, and where each individual starts among them."""
    individual = _first_appearance(scores.individual)
    occurrence = _first_appearance(scores.text["occurrence"])
    kept_occurrence = occurrence == occurrence[individual]
    rows = np.flatnonzero(kept_occurrence)
    rows = rows[np.lexsort((rows, scores.text["taken_at"][rows], individual[rows]))]
    new = np.append(True, individual[rows][1:] != individual[rows][:-1])
    starts = np.flatnonzero(new)
    place = np.arange(len(rows)) - np.repeat(starts, np.diff(np.append(starts, len(rows))))
    rows = rows[place < most]
    new = np.append(True, individual[rows][1:] != individual[rows][:-1])
    return rows, np.flatnonzero(new)


def _hold_reasons(
    reasons: Strings, starts: Ints, finite: npt.NDArray[np.bool_], n_views: Ints, least: int
) -> Strings:
    out = np.full(len(starts), "", dtype=object)
    out[n_views < least] = "too few views"
    out[~finite] = "score is not a number"
    group = np.repeat(np.arange(len(starts)), n_views)
    for row in np.flatnonzero(reasons != "")[::-1]:
        out[group[row]] = str(reasons[row])
    return out.astype(np.str_)
