"""The smallest proven length: counted by hand, never below what was tested, and true as often as it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binom

from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.lengths import prove_length
from tests.evaluation.small_world import small_cutoffs, small_scores


def upper(missed: int, shown: int) -> float:
    """Clopper & Pearson 1934, one-sided, with SciPy's beta law."""
    return 1.0 if missed == shown else float(beta.ppf(0.95, missed + 1, shown - missed))


def test_59_clean_fish_prove_five_percent() -> None:
    """59 fish without a miss: success-run theorem at 5 % and 95 %."""
    lengths, passed = np.linspace(400, 300, 59), np.zeros(59, dtype=bool)
    found = prove_length("NSH", lengths, passed, 0.05, confidence=0.95)
    assert (found.length_mm, found.shown, found.missed, found.needed) == (300, 59, 0, 59)
    short = prove_length("NSH", lengths[:58], passed[:58], 0.05, confidence=0.95)
    assert short.length_mm is None
    assert (short.shown, short.needed) == (58, 59)


def test_it_stops_at_the_first_length_that_fails() -> None:
    """80 clean long fish, then two misses in the next ten, then clean again: the clean small ones prove nothing."""
    lengths = np.concatenate([np.full(80, 505.0), np.full(10, 495.0), np.full(200, 485.0)])
    passed = np.zeros(290, dtype=bool)
    passed[80:82] = True
    found = prove_length("NSH", lengths, passed, 0.05, confidence=0.95)
    assert upper(2, 90) > 0.05
    assert upper(2, 290) < 0.05
    assert (found.length_mm, found.shown, found.missed) == (500, 80, 0)


def test_fish_near_the_length_are_counted_apart() -> None:
    lengths = np.concatenate([np.full(400, 600.0), np.full(10, 305.0)])
    passed = np.zeros(410, dtype=bool)
    passed[-4:] = True
    found = prove_length("NSH", lengths, passed, 0.05, confidence=0.95)
    assert found.length_mm == 300
    assert (found.near_shown, found.near_missed) == (10, 4)
    assert found.near_interval[1] > 0.7  # ten fish near the length, four missed: nothing is proven about those


def test_unmeasured_fish_are_left_out_and_counted() -> None:
    lengths = np.append(np.full(100, 400.0), np.full(7, np.nan))
    found = prove_length("NSH", lengths, np.append(np.zeros(100), np.ones(7)).astype(bool), 0.05, confidence=0.95)
    assert (found.length_mm, found.missed, found.unmeasured) == (400, 0, 7)


@given(
    st.lists(st.tuples(st.integers(100, 900), st.booleans()), min_size=1, max_size=120),
    st.sampled_from([0.05, 0.2, 0.5]),
)
def test_what_is_proven_is_backed_by_its_count(fish: list[tuple[int, bool]], limit: float) -> None:
    lengths, passed = np.array([length for length, _ in fish], dtype=float), np.array([miss for _, miss in fish])
    found = prove_length("NSH", lengths, passed, limit, confidence=0.95)
    if found.length_mm is None:
        return
    own = lengths >= found.length_mm
    assert (found.shown, found.missed) == (own.sum(), passed[own].sum())
    assert upper(found.missed, found.shown) <= limit + 1e-12
    assert found.length_mm >= lengths.min() - 10


def test_the_claim_is_wrong_at_most_as_often_as_it_says() -> None:
    """Fish miss more the shorter they are; the whole sequence of claims keeps its 5 % (Bauer 1991)."""
    rng = np.random.default_rng(5)
    wrong = 0
    for _ in range(1000):
        lengths = rng.uniform(200, 600, 150)
        passed = rng.random(150) < np.where(lengths < 400, 0.25, 0.02)
        found = prove_length("NSH", lengths, passed, 0.06, confidence=0.95)
        if found.length_mm is not None:
            low = max(200, found.length_mm)
            rate = (max(0, 400 - low) * 0.25 + (600 - max(400, low)) * 0.02) / (600 - low)
            wrong += rate > 0.06
    assert wrong <= binom.ppf(1 - 1e-6, 1000, 0.05)


def test_taking_the_best_looking_length_would_be_wrong_more_often() -> None:
    """A rule that picks any length whose own limit looks fine breaks the 5 % that the sequence keeps."""
    rng = np.random.default_rng(5)
    allowed = np.array([sum(upper(x, n) <= 0.06 for x in range(n)) for n in range(49, 151)])  # misses below this
    wrong = 0
    for _ in range(1000):
        misses = np.cumsum(rng.random(150) < 0.061)  # no length keeps 6 %
        wrong += bool((misses[48:] < allowed).any())
    assert wrong > binom.ppf(1 - 1e-6, 1000, 0.05)


def test_the_report_knows_only_classes_with_lengths_and_limits() -> None:
    scores = small_scores()
    assert assess(scores, small_cutoffs(scores)).proven == ()
    measured = replace(scores, numbers={**scores.numbers, "length_mm": np.full(len(scores), 420.0)})
    found = assess(measured, small_cutoffs(measured)).proven
    assert [(one.code, one.length_mm, one.shown) for one in found] == [("NSH", None, 10), ("BCF", None, 4)]
    assert all(one.needed == pytest.approx(59) for one in found)
