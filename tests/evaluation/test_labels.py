"""Wrong labels: bounds against a world whose true rate and true labels are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.labels import WRONG_SHARES, label_effect
from tests.evaluation.small_world import small_cutoffs, small_scores

SHARES = st.sampled_from([0.01, 0.02, 0.1])


@given(st.integers(1, 500), st.data(), st.floats(0, 1), SHARES)
def test_bounds_enclose_what_was_measured_unless_labels_explain_it_all(
    shown: int, data: st.DataObject, other_rate: float, wrong: float
) -> None:
    errors = data.draw(st.integers(0, shown))
    lowest, highest, perfect = label_effect(errors, shown, other_rate=other_rate, wrong_share=wrong)
    measured = errors / shown
    assert 0 <= lowest <= 1 + 1e-12
    assert measured <= highest <= 1
    assert perfect == wrong * other_rate
    if measured <= other_rate:
        assert lowest <= measured + 1e-12


@given(st.floats(0, 0.3), st.floats(0.5, 1), SHARES)
def test_strangers_under_the_name_are_solved_for(true_rate: float, other_rate: float, wrong: float) -> None:
    """Build the measured rate from the truth, a million fish, and get the truth back."""
    shown = 1_000_000
    errors = round(shown * ((1 - wrong) * true_rate + wrong * other_rate))
    lowest, _, _ = label_effect(errors, shown, other_rate=other_rate, wrong_share=wrong)
    assert lowest == pytest.approx(true_rate, abs=2e-6)


def test_hidden_misses_by_count() -> None:
    """By hand: 200 fish bear the name, 4 missed; 4 more (2 %) stand under other names, all passed: 8 of 204."""
    _, highest, _ = label_effect(4, 200, other_rate=0.9, wrong_share=0.02)
    assert highest == pytest.approx(8 / 204)


def test_a_perfect_gate_seems_to_miss_what_was_named_wrongly() -> None:
    rng = np.random.default_rng(1)
    truly_wanted = rng.random(100_000) < 0.01
    passed = truly_wanted & (rng.random(100_000) < 0.9)  # the gate is perfect: only wanted fish pass
    lowest, _, perfect = label_effect(int(passed.sum()), 100_000, other_rate=0.9, wrong_share=0.01)
    assert perfect == pytest.approx(0.009)
    assert passed.mean() == pytest.approx(perfect, abs=5 * np.sqrt(0.009 / 100_000))
    assert lowest == pytest.approx(0, abs=0.002)


def test_every_limited_side_has_its_rows() -> None:
    """By hand: wanted fish pass 8 of 16; excluded fish are rejected 11 of 14."""
    scores = small_scores()
    effects = assess(scores, small_cutoffs(scores)).labels
    assert [(effect.code, effect.wrong_share) for effect in effects] == [
        (code, share) for code in ("NSH", "BCF", "SNS") for share in WRONG_SHARES
    ]
    by_code = {(effect.code, effect.wrong_share): effect for effect in effects}
    assert by_code["NSH", 0.02].measured == pytest.approx(0.1)
    assert by_code["NSH", 0.02].perfect == pytest.approx(0.02 * 8 / 16)
    assert by_code["SNS", 0.01].perfect == pytest.approx(0.01 * 11 / 14)
