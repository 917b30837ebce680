"""Counts per class against counts by hand, exact limits against SciPy's beta quantiles, and what an error is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from passage_cv.decision.combine import combine_views
from passage_cv.errors import InputError
from passage_cv.evaluation.judging import judge
from passage_cv.evaluation.misses import ClassCount, confusion_table, count_actions, miss_rate_upper
from tests.evaluation.small_world import small_cutoffs, small_scores
from tests.worlds import CODES


@pytest.fixture(scope="module")
def counts() -> dict[str, ClassCount]:
    scores = small_scores()
    cutoffs = small_cutoffs(scores)
    judged = judge(combine_views(scores, cutoffs.views).with_role("test"), cutoffs)
    found = count_actions(judged.individuals, judged.actions, cutoffs.groups)
    return {count.code: count for count in found}


@pytest.mark.parametrize(
    ("code", "shown", "trips", "passed", "held", "rejected", "errors"),
    [
        ("NSH", 10, 2, 1, 2, 7, 1),
        ("BCF", 4, 1, 0, 0, 4, 0),
        ("AMS", 11, 2, 8, 0, 3, 3),
        ("BOW", 0, 0, 0, 0, 0, 0),
        ("SNS", 5, 1, 0, 5, 0, 0),
        ("unknown", 3, 1, 0, 2, 1, 1),
    ],
)
def test_counts_are_those_counted_by_hand(
    counts: dict[str, ClassCount],
    code: str,
    shown: int,
    trips: int,
    passed: int,
    held: int,
    rejected: int,
    errors: int,
) -> None:
    found = counts[code]
    assert (found.shown, found.trips) == (shown, trips)
    assert (found.passed, found.held, found.rejected, found.errors) == (passed, held, rejected, errors)


def test_policy_classes_come_first_then_other_labels(counts: dict[str, ClassCount]) -> None:
    assert list(counts) == [*CODES, "unknown"]
    assert counts["unknown"].group == "unknown"


def test_a_class_without_fish_has_no_rate_and_knows_nothing(counts: dict[str, ClassCount]) -> None:
    assert counts["BOW"].rate is None
    assert counts["BOW"].interval == (0.0, 1.0)
    assert counts["BOW"].upper == 1.0


@given(st.integers(1, 400), st.data(), st.sampled_from([0.9, 0.95, 0.99]))
def test_limits_are_beta_quantiles(shown: int, data: st.DataObject, confidence: float) -> None:
    """Clopper & Pearson 1934, written with SciPy's beta law."""
    errors = data.draw(st.integers(0, shown))
    count = ClassCount("NSH", "exclude", shown, 1, errors, shown - errors, 0, confidence)
    tail = (1 - confidence) / 2
    low, high = count.interval
    assert low == pytest.approx(beta.ppf(tail, errors, shown - errors + 1) if errors else 0.0, rel=1e-9)
    expected = beta.ppf(1 - tail, errors + 1, shown - errors) if errors < shown else 1.0
    assert high == pytest.approx(expected, rel=1e-9)
    one_sided = beta.ppf(confidence, errors + 1, shown - errors) if errors < shown else 1.0
    assert count.upper == miss_rate_upper(errors, shown, confidence=confidence) == pytest.approx(one_sided, rel=1e-9)


def test_counts_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match="5"):
        miss_rate_upper(5, 4)


def test_confusion_leaves_other_labels_out() -> None:
    table = confusion_table(["A", "A", "B", "unknown"], ["A", "B", "B", "A"], ["A", "B", "C"])
    assert table.tolist() == [[1, 1, 0], [0, 1, 0], [0, 0, 0]]
    assert table.dtype == np.intp
