"""Properties and refusals of the run size estimates; printed examples live in ``tests/published``."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.planning import run_size
from passage_cv.planning.run_size import Occasion


@given(st.integers(1, 2000), st.integers(1, 2000), st.integers(1, 2000))
def test_estimates_hold_what_was_seen(marked: int, caught: int, recaptured: int) -> None:
    assume(recaptured <= min(marked, caught))
    for estimate in (run_size.petersen, run_size.chapman):
        found = estimate(marked, caught, recaptured)
        assert found.known == marked + caught - recaptured
        assert found.known <= found.low <= found.estimate + 1e-9 <= found.upper + 1e-9


@given(st.integers(2, 500), st.integers(2, 500), st.integers(1, 499))
def test_more_recaptures_mean_a_smaller_run(marked: int, caught: int, recaptured: int) -> None:
    assume(recaptured < min(marked, caught))
    for estimate in (run_size.petersen, run_size.chapman):
        more = estimate(marked, caught, recaptured + 1).estimate
        assert more < estimate(marked, caught, recaptured).estimate


def test_chapman_finds_a_known_run() -> None:
    # Known truth: 2,000 fish, 300 marked, 250 caught at random; Chapman's bias is then nil (Seber 2002).
    rng = np.random.default_rng(11)
    recaptured = rng.hypergeometric(300, 1700, 250, size=2000)
    found = [run_size.chapman(300, 250, int(m)) for m in recaptured]
    estimates = np.array([one.estimate for one in found])
    error = estimates.std() / np.sqrt(len(found))
    assert abs(estimates.mean() - 2000) < 4 * error
    covered = np.mean([one.low <= 2000 <= one.upper for one in found])
    assert 0.90 < covered < 0.98


def test_schnabel_and_schumacher_find_a_known_run() -> None:
    rng = np.random.default_rng(12)
    schnabel, schumacher = [], []
    for _ in range(300):
        occasions = _census(rng, fish=1500, samples=8, size=100)
        schnabel.append(run_size.schnabel(occasions, corrected=True).estimate)
        schumacher.append(run_size.schumacher_eschmeyer(occasions).estimate)
    assert np.mean(schnabel) == pytest.approx(1500, rel=0.03)
    assert np.mean(schumacher) == pytest.approx(1500, rel=0.05)


def _census(rng: np.random.Generator, *, fish: int, samples: int, size: int) -> list[Occasion]:
    marked = np.zeros(fish, dtype=bool)
    occasions = []
    for _ in range(samples):
        sample = rng.choice(fish, size, replace=False)
        again = int(marked[sample].sum())
        occasions.append(Occasion(size - again, again, size))
        marked[sample] = True
    return occasions


def test_trap_efficiency_interval_covers() -> None:
    rng = np.random.default_rng(13)
    covered = []
    for _ in range(500):
        retaken, unmarked = rng.binomial(200, 0.23), rng.binomial(6000, 0.23)
        found = run_size.trap_efficiency(200, int(retaken), int(unmarked))
        covered.append(found.low <= 6000 <= found.upper)
    assert np.mean(covered) > 0.93


def test_no_recapture_is_no_estimate() -> None:
    with pytest.raises(InputError, match="None of 30 fish had a mark"):
        run_size.petersen(20, 30, 0)
    assert run_size.chapman(20, 30, 0).estimate == 21 * 31 - 1
    with pytest.raises(InputError, match="None of 20 marked fish was retaken"):
        run_size.trap_efficiency(20, 0, 100)
    with pytest.raises(InputError, match="No marked fish was retaken in 2 samples"):
        run_size.schnabel([Occasion(10, 0, 10), Occasion(10, 0, 10)])


@pytest.mark.parametrize(("marked", "caught", "recaptured"), [(10, 20, 11), (20, 10, 11), (0, 10, 0), (10, 0, 0)])
def test_counts_that_cannot_be_are_refused(marked: int, caught: int, recaptured: int) -> None:
    with pytest.raises(InputError, match="cannot be"):
        run_size.chapman(marked, caught, recaptured)


def test_a_census_with_impossible_samples_is_refused_by_number() -> None:
    with pytest.raises(InputError, match=r"Sample 2 has 3 unmarked, 6 recaptured .* with 5 marks at large"):
        run_size.schnabel([Occasion(5, 0, 5), Occasion(3, 6, 0)])
    with pytest.raises(InputError, match="Sample 1 has"):
        run_size.schnabel([Occasion(5, 0, 6)])
    with pytest.raises(InputError, match="2 samples leave no degree of freedom"):
        run_size.schumacher_eschmeyer([Occasion(5, 0, 5), Occasion(3, 2, 5)])


def test_shares_that_scatter_too_much_have_no_upper_limit() -> None:
    wild = [Occasion(10, 0, 10), Occasion(1, 9, 10), Occasion(40, 0, 40), Occasion(1, 20, 21)]
    with pytest.raises(InputError, match="no upper limit exists"):
        run_size.schumacher_eschmeyer(wild, confidence=0.999)


def test_every_assumption_says_what_its_breach_does() -> None:
    assert all(question.endswith(".") and breach.endswith(".") for question, breach in run_size.ASSUMPTIONS.values())
