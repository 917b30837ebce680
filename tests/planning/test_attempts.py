"""Closed forms against each other and against dice, and their refusals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import hyp2f1

from passage_cv.errors import InputError
from passage_cv.planning import attempts
from passage_cv.planning.fates import Coming, fates, rate_for_passage

shares = st.floats(0.0, 0.95)


@given(st.floats(0, 0.3), shares, shares, st.floats(0, 0.6))
def test_fates_sum_to_one(rate: float, retry: float, alike: float, held: float) -> None:
    found = fates(rate, Coming(held, retry, alike))
    total = found.first + found.later + found.held + found.gone
    assert total[0] == pytest.approx(1, abs=1e-9)
    assert min(found.first[0], found.later[0], found.held[0], found.gone[0]) >= 0
    assert found.presentations[0] >= 1


@given(st.floats(0, 0.3), st.floats(0, 0.9), shares, st.floats(0, 0.6), st.integers(1, 30))
def test_more_attempts_never_lower_escapement(
    rate: float, retry: float, alike: float, held: float, attempts_allowed: int
) -> None:
    few = fates(rate, Coming(held, retry, alike, attempts_allowed)).passed[0]
    assert fates(rate, Coming(held, retry, alike, attempts_allowed + 1)).passed[0] >= few - 1e-15
    assert fates(rate, Coming(held, min(1.0, retry + 0.05), alike, attempts_allowed)).passed[0] >= few - 1e-15


@given(st.floats(1e-4, 0.2), shares, st.floats(0, 0.6))
def test_a_retry_chain_is_the_closed_form(rate: float, retry: float, held: float) -> None:
    # of the presentations not passed a share h / (1 - p) is held
    found = fates(rate, Coming(held, retry)).passed[0]
    closed = attempts.chance_with_retries(rate, retry, held=held / (1 - rate))
    assert found == pytest.approx(closed, rel=1e-9)


@given(st.floats(0.001, 0.3), st.floats(0.01, 0.9), st.floats(0.1, 0.9))
def test_fish_that_differ_agree_with_the_hypergeometric_sum(rate: float, alike: float, retry: float) -> None:
    a, b = attempts.beta_shape(rate, alike)
    # sum over j of r^j E[q (1-q)^j] = a / (a + b) 2F1(1, b; a + b + 1; r), with SciPy
    closed = a / (a + b) * hyp2f1(1, b, a + b + 1, retry)
    assert fates(rate, Coming(retry=retry, alike=alike)).passed[0] == pytest.approx(closed, rel=1e-7)


@given(st.floats(0.001, 0.3), st.floats(0.05, 0.9), st.integers(2, 40))
def test_alike_attempts_let_fewer_fish_through(rate: float, alike: float, tries: int) -> None:
    same = attempts.chance_in_attempts_alike(*attempts.beta_shape(rate, alike), tries)
    assert same <= attempts.chance_in_attempts(rate, tries) + 1e-12


def test_fates_agree_with_fish_followed_one_by_one() -> None:
    # 200,000 fish, dice at every presentation; three standard errors of a share.
    rng = np.random.default_rng(21)
    rate, coming, fish = 0.08, Coming(hold_rate=0.2, retry=0.7, alike=0.2), 200_000
    a, b = attempts.beta_shape(rate / 0.8, 0.2)
    chance = rng.beta(a, b, fish)
    here = np.ones(fish, dtype=bool)
    count = {"first": 0, "later": 0, "held": 0, "gone": 0}
    presentations, first = 0, True
    while here.any():
        presentations += int(here.sum())
        held = here & (rng.random(fish) < coming.hold_rate)
        passed = here & ~held & (rng.random(fish) < chance)
        back = here & ~held & ~passed & (rng.random(fish) < coming.retry)
        count["first" if first else "later"] += int(passed.sum())
        count["held"] += int(held.sum())
        count["gone"] += int((here & ~held & ~passed & ~back).sum())
        here, first = back, False
    found = fates(rate, coming)
    for name, number in count.items():
        expected = float(getattr(found, name)[0])
        assert number / fish == pytest.approx(expected, abs=3 * (expected * (1 - expected) / fish) ** 0.5)
    assert presentations / fish == pytest.approx(float(found.presentations[0]), rel=0.01)


@given(st.floats(1e-6, 0.6), shares, shares, st.floats(0, 0.3))
def test_rate_for_passage_inverts_the_chain(chance: float, retry: float, alike: float, held: float) -> None:
    coming = Coming(held, retry, alike)
    rate = rate_for_passage(chance, coming)
    assert fates(rate, coming).passed[0] == pytest.approx(chance, rel=1e-6)
    assert rate <= chance * (1 + 1e-9)


def test_pairs_need_two() -> None:
    assert attempts.chance_of_pair(1, 1.0, 0.5) == 0
    assert attempts.chance_of_pair(50, 1.0, 1.0) == 0
    assert attempts.chance_of_pair(0, 0.5, 0.5) == 0
    # two fish, both certain to pass, half female: one of each in 2 of 4 cases, by hand
    assert attempts.chance_of_pair(2, 1.0, 0.5) == pytest.approx(0.5, rel=1e-12)


def test_certain_and_impossible_passages() -> None:
    assert attempts.chance_in_attempts(1.0, 3) == 1.0
    assert attempts.chance_in_attempts(0.3, 0) == 0.0
    assert attempts.chance_with_retries(0.0, 1.0) == 0.0
    assert attempts.chance_of_none(0, 1.0) == 1.0
    assert attempts.chance_of_none(3, 1.0) == 0.0
    assert fates(0.0, Coming(retry=0.9)).passed[0] == 0.0


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(InputError, match=r"Rate is 1\.5"):
        attempts.chance_in_attempts(1.5, 2)
    with pytest.raises(InputError, match="Number of attempts is -1"):
        attempts.chance_in_attempts(0.5, -1)
    with pytest.raises(InputError, match="Chance is 1 over 3 attempts"):
        attempts.rate_for_chance(1, 3)
    with pytest.raises(InputError, match=r"Mean is 0\.1, alike 0"):
        attempts.beta_shape(0.1, 0)
    with pytest.raises(InputError, match="Shape is 0"):
        attempts.chance_in_attempts_alike(0, 1, 2)
    with pytest.raises(InputError, match=r"come again with chance 1.* without end"):
        Coming(retry=1.0)
    with pytest.raises(InputError, match="Most attempts is 0"):
        Coming(max_attempts=0)
    with pytest.raises(InputError, match="Hold rate 1"):
        Coming(hold_rate=1.0)
    with pytest.raises(InputError, match=r"Passing rate up to 0\.9000 with hold rate 0\.2"):
        fates(0.9, Coming(hold_rate=0.2))
    with pytest.raises(InputError, match=r"Chance 0\.9 of ever passing"):
        rate_for_passage(0.9, Coming(hold_rate=0.2))
    with pytest.raises(InputError, match="No fish is rejected"):
        attempts.screened_shares(0.0, 1.0, 0.5)
