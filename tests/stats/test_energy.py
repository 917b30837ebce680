"""The centred energy says how little any class stands out."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.stats.energy import centred_energy

LOGITS = st.lists(st.floats(-30, 30), min_size=2, max_size=6)


@given(LOGITS, st.floats(-50, 50))
def test_a_constant_added_to_all_logits_changes_nothing(logits: list[float], more: float) -> None:
    row = np.array([logits])
    assert centred_energy(row + more)[0] == pytest.approx(centred_energy(row)[0], abs=1e-9)


@given(LOGITS)
def test_it_is_highest_where_all_classes_are_alike(logits: list[float]) -> None:
    assert centred_energy(np.array([logits]))[0] <= -math.log(len(logits)) + 1e-9  # Jensen's inequality


@given(LOGITS, st.floats(0.1, 5))
def test_it_falls_when_the_leading_logit_rises(logits: list[float], more: float) -> None:
    row = np.array([logits])
    higher = row.copy()
    higher[0, row[0].argmax()] += more
    assert centred_energy(higher)[0] <= centred_energy(row)[0] + 1e-12


def test_it_is_finite_where_exponentials_are_not_and_nan_where_a_logit_is_none() -> None:
    assert centred_energy(np.array([[1e4, -1e4]])).tolist() == [-1e4]
    assert np.isnan(centred_energy(np.array([[np.nan, 0.0], [np.inf, 0.0], [-np.inf, 0.0]]))).all()
