"""Properties and refusals of the paired tests and kappas."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from passage_cv.errors import InputError
from passage_cv.stats import agreement

few = st.integers(0, 200)


@given(few, few)
def test_mcnemar_is_symmetric_and_a_probability(b: int, c: int) -> None:
    assert agreement.mcnemar_exact(b, c) == agreement.mcnemar_exact(c, b)
    assert 0 < agreement.mcnemar_mid_p(b, c) <= agreement.mcnemar_exact(b, c) <= 1


@given(few, few)
def test_mcnemar_exact_is_a_sign_test(b: int, c: int) -> None:
    if b + c:
        assert agreement.mcnemar_exact(b, c) == pytest.approx(binomtest(b, b + c).pvalue, rel=1e-9)


@given(few, few, st.integers(0, 500))
def test_paired_difference_changes_sign_with_the_raters(b: int, c: int, agreed: int) -> None:
    n = b + c + agreed
    if n == 0:
        return
    there, back = agreement.paired_difference(b, c, n), agreement.paired_difference(c, b, n)
    assert there.value == -back.value
    assert (there.low, there.upper) == pytest.approx((-back.upper, -back.low), abs=1e-12)


@given(st.integers(2, 6), st.integers(0, 2**32 - 1))
def test_kappa_is_one_for_perfect_agreement_and_ignores_class_order(classes: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    assert agreement.cohen_kappa(np.diag(rng.integers(1, 50, classes))).value == pytest.approx(1, rel=1e-9)
    table = rng.integers(1, 50, size=(classes, classes))
    order = rng.permutation(classes)
    turned = agreement.cohen_kappa(table[np.ix_(order, order)])
    assert turned.value == pytest.approx(agreement.cohen_kappa(table).value, abs=1e-12)


def test_two_by_two_fleiss_and_scott() -> None:
    # For two readers Fleiss's kappa is Scott's pi: (po - pe) / (1 - pe), pe from the pooled shares; by hand.
    table = [[2, 0]] * 6 + [[1, 1]] * 2 + [[0, 2]] * 2
    po, pooled = 8 / 10, (14 / 20, 6 / 20)
    pe = pooled[0] ** 2 + pooled[1] ** 2
    assert agreement.fleiss_kappa(table) == pytest.approx((po - pe) / (1 - pe), rel=1e-9)


def test_no_discordant_individual_is_no_evidence() -> None:
    assert agreement.mcnemar_exact(0, 0) == agreement.mcnemar_mid_p(0, 0) == 1.0
    for test in (agreement.mcnemar_asymptotic, agreement.mcnemar_corrected):
        with pytest.raises(InputError, match="No individual tells the two apart"):
            test(0, 0)


def test_correction_never_goes_past_zero() -> None:
    assert agreement.mcnemar_corrected(7, 7) == (0.0, 1.0)


def test_tables_without_an_answer_are_refused() -> None:
    with pytest.raises(InputError, match="one and the same class"):
        agreement.cohen_kappa([[7, 0], [0, 0]])
    with pytest.raises(InputError, match=r"shape \(1, 2\)"):
        agreement.cohen_kappa([[1, 2]])
    with pytest.raises(InputError, match="two-way table of counts"):
        agreement.cohen_kappa([[1.5, 2], [3, 4]])
    with pytest.raises(InputError, match="2 to 3 readers"):
        agreement.fleiss_kappa([[1, 1], [2, 1]])
    with pytest.raises(InputError, match="All readings are one class"):
        agreement.fleiss_kappa([[2, 0], [2, 0]])
    with pytest.raises(InputError, match="Only the first right is -1"):
        agreement.mcnemar_exact(-1, 3)
    with pytest.raises(InputError, match="5 individuals differ among 4"):
        agreement.paired_difference(2, 3, 4)


def test_the_adjusted_interval_covers_a_small_paired_difference() -> None:
    """Simulated with known truth: 30 individuals, discordant shares 0.10 and 0.05; asked 95 %."""
    rng = np.random.default_rng(7)
    drawn = rng.multinomial(30, [0.10, 0.05, 0.85], size=2000)
    ends = np.array([agreement.paired_interval(int(b), int(c), 30) for b, c, _ in drawn])
    covered = float(np.mean((ends[:, 0] <= -0.05) & (ends[:, 1] >= -0.05)))
    assert covered > 0.935  # 0.95 less three standard errors of 2,000 repeats


def test_agreement_throughout_is_no_certainty() -> None:
    # by hand: half in each of four cells gives n = 22 and one discordant, so 1.959964 / 22
    assert agreement.paired_interval(0, 0, 20)[1] == pytest.approx(1.959964 / 22, rel=1e-6)
