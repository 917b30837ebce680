"""Simulated seasons against closed forms, against fish followed one by one, and their properties."""

from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from passage_cv.config import configs_folder, parse_settings
from passage_cv.demo.season import WEEKS
from passage_cv.errors import InputError
from passage_cv.planning import attempts
from passage_cv.planning.fates import fates
from passage_cv.planning.goals import chance_per_fish, goal_of, planned_run
from passage_cv.planning.page import render_page
from passage_cv.planning.season import (
    SeasonClass,
    SeasonPlan,
    coming_of,
    fertile_pairings,
    read_season,
    simulate_season,
)
from passage_cv.planning.season_page import goals_of, season_page
from passage_cv.policy import Policy, read_policy
from passage_cv.stats.binomial import upper_limit

CONFIGS = configs_folder()


@pytest.fixture(scope="module")
def policy() -> Policy:
    return read_policy(CONFIGS / "policy" / "quillmarsh.toml")


def plan(*classes: dict[str, Any], **more: Any) -> SeasonPlan:  # noqa: ANN401 - TOML values
    values: dict[str, Any] = {
        "format": 1,
        "site": "QMR-KBW-01",
        "first_day": date(2031, 3, 30),
        "seasons": 20_000,
        "seed": 5,
        "crew_holds_per_day": 10,
        "classes": classes,
    }
    return parse_settings({**values, **more}, SeasonPlan, where="test")


NSH = {
    "code": "NSH",
    "by_week": [10, 20, 10],
    "error_rate": 0.02,
    "hold_rate": 0.1,
    "retry": 0.8,
    "tolerable": 2,
}
AMS = {"code": "AMS", "by_week": [100, 200, 100], "error_rate": 0.03, "hold_rate": 0.05, "retry": 0.6}


def test_excluded_fish_agree_with_closed_forms_within_three_standard_errors(policy: Policy) -> None:
    season = simulate_season(plan(NSH), policy)
    one, n = season.of("NSH"), 20_000
    chance = attempts.chance_with_retries(0.02, 0.8, held=0.1 / 0.98)
    truths = {
        "none": (attempts.chance_of_none(40, chance), (one.passed == 0).mean()),
        "pair": (attempts.chance_of_pair(40, chance, 0.5), one.has_pair.mean()),
        "more than tolerable": (float(binom.sf(2, 40, chance)), (one.passed > 2).mean()),
    }
    for name, (truth, found) in truths.items():
        assert found == pytest.approx(truth, abs=3 * (truth * (1 - truth) / n) ** 0.5), name
    error = (40 * chance * (1 - chance) / n) ** 0.5
    assert one.passed.mean() == pytest.approx(40 * chance, abs=3 * error)


def test_wanted_fish_agree_with_closed_forms(policy: Policy) -> None:
    season = simulate_season(plan(AMS), policy)
    one = season.of("AMS")
    # at each presentation 0.05 held, 0.03 rejected, 0.92 passed; 0.018 come again
    expected = {
        "passed_first": 0.92,
        "passed_later": 0.92 * 0.018 / (1 - 0.018),
        "held": 0.05 / (1 - 0.018),
        "gone": 0.012 / (1 - 0.018),
    }
    for name, share in expected.items():
        error = (400 * share * (1 - share) / 20_000) ** 0.5
        assert getattr(one, name).mean() == pytest.approx(400 * share, abs=3 * error), name
    assert (one.delayed == one.passed_later + one.held).all()
    # nine in ten of the fish come in no single week; the middle week holds half of the held fish
    week = season.held_by_day[:, 0].reshape(3, 7).sum(axis=1)
    assert week[1] / week.sum() == pytest.approx(0.5, abs=0.01)


def test_unsure_rates_and_runs_have_the_means_and_limits_they_should(policy: Policy) -> None:
    unsure = {**NSH, "error_rate": None, "errors": 1, "shown": 120, "run_standard_error": 12.0}
    one = simulate_season(plan(unsure), policy).of("NSH")
    assert one.came.mean() == pytest.approx(40, abs=4 * 12 / 20_000**0.5 + 0.05)
    assert one.came.std() == pytest.approx(12, rel=0.05)
    # the 95 % point of the rates is the exact upper limit of 1 miss in 120
    assert (one.rates > upper_limit(1, 120)).mean() == pytest.approx(0.05, abs=3 * (0.05 * 0.95 / 20_000) ** 0.5)


def test_every_fish_has_one_fate(policy: Policy) -> None:
    season = simulate_season(read_season(CONFIGS / "season" / "kettleback.toml"), policy)
    for one in season.classes:
        assert (one.passed + one.held + one.gone == one.came).all()
        assert (one.females_passed <= one.passed).all()
    held = sum(one.held.mean() for one in season.classes)
    assert season.held_by_day[:, 0].sum() == pytest.approx(held, rel=1e-9)
    assert (season.peak >= 0).all()


def test_the_same_seed_gives_the_same_seasons_and_another_class_changes_no_other(policy: Policy) -> None:
    alone, twice = simulate_season(plan(NSH), policy), simulate_season(plan(NSH), policy)
    assert (alone.of("NSH").passed == twice.of("NSH").passed).all()
    other = simulate_season(plan(NSH, seed=6), policy)
    assert (alone.of("NSH").passed != other.of("NSH").passed).any()


def test_removal_caps_the_risk_at_one_presentation(policy: Policy) -> None:
    removal = policy.model_copy(update={"reject_to": "removal"})
    once = simulate_season(plan(NSH), removal).of("NSH")
    assert once.passed_later.sum() == 0
    assert once.passed.mean() == pytest.approx(40 * 0.02, rel=0.05)
    assert once.passed.mean() < simulate_season(plan(NSH), policy).of("NSH").passed.mean()


@settings(max_examples=20)
@given(st.floats(0, 0.8), st.floats(0, 0.2), st.floats(0, 0.5))
def test_no_invader_gives_none_passed(retry: float, error: float, held: float) -> None:
    nobody = {**NSH, "by_week": [0, 0, 0], "retry": retry, "error_rate": error, "hold_rate": held}
    policy = read_policy(CONFIGS / "policy" / "quillmarsh.toml")
    season = simulate_season(plan(nobody, seasons=50), policy)
    one = season.of("NSH")
    assert one.passed.sum() == one.held.sum() == one.came.sum() == season.peak.sum() == 0


def test_a_gate_that_never_errs_passes_no_invader(policy: Policy) -> None:
    assert simulate_season(plan({**NSH, "error_rate": 0.0}), policy).of("NSH").passed.sum() == 0


def test_the_demo_season_is_the_demo_river() -> None:
    demo = read_season(CONFIGS / "season" / "kettleback.toml")
    assert demo.seasons == 10_000
    for one in demo.classes:
        assert list(one.by_week) == [week.counts[one.code] for week in WEEKS], one.code


def test_the_queue_grows_only_above_the_crew(policy: Policy) -> None:
    busy = plan(AMS, crew_holds_per_day=0, seasons=100)
    season = simulate_season(busy, policy)
    assert (season.waiting == season.of("AMS").held).all()
    idle = simulate_season(plan(AMS, crew_holds_per_day=400, seasons=100), policy)
    assert idle.waiting.sum() == idle.days_over_crew.sum() == 0


@given(st.integers(1, 2000), st.integers(0, 30), st.floats(0.001, 0.5))
def test_a_goal_keeps_its_risk(fish: int, tolerable: int, risk: float) -> None:
    chance = chance_per_fish(fish, tolerable, risk=risk)
    if tolerable < fish:
        assert binom.sf(tolerable, fish, chance) == pytest.approx(risk, rel=1e-6)
    else:
        assert chance == 1.0


def test_a_goal_met_in_the_simulation_is_met(policy: Policy) -> None:
    one = SeasonClass.model_validate(NSH)
    goal = goal_of(one, "turn back", delta=0.05)
    assert goal.miss_rate is not None
    assert goal.miss_rate < goal.chance
    season = simulate_season(plan({**NSH, "error_rate": goal.miss_rate}), policy)
    over = (season.of("NSH").passed > 2).mean()
    assert over == pytest.approx(0.05, abs=3 * (0.05 * 0.95 / 20_000) ** 0.5)
    passed = fates(goal.miss_rate, coming_of(one, "turn back")).passed[0]
    assert passed == pytest.approx(goal.chance, rel=1e-9)


def test_a_goal_that_asks_nothing_says_so() -> None:
    few = SeasonClass.model_validate({**NSH, "by_week": [1], "tolerable": 3})
    goal = goal_of(few, "turn back", delta=0.05)
    assert (goal.chance, goal.miss_rate, goal.individuals) == (1.0, None, None)


def test_an_unsure_run_is_planned_at_its_upper_point() -> None:
    assert planned_run(SeasonClass.model_validate(NSH)) == 40
    assert planned_run(SeasonClass.model_validate({**NSH, "run_standard_error": 12.0})) > 50


def test_sterile_males_take_their_share() -> None:
    # 4 fertile against 0.5 x 8 sterile: half of the females
    assert fertile_pairings([6, 6, 0], [4, 0, 4], 8, competitiveness=0.5).tolist() == [3.0, 0.0, 0.0]
    assert fertile_pairings(6, 4, 0).tolist() == [6.0]
    with pytest.raises(InputError, match="cannot be negative"):
        fertile_pairings(-1, 4, 0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"errors": 1}, "needs error_rate, or errors and shown"),
        ({"error_rate": None, "errors": 3, "shown": 3}, "3 errors of 3 shown"),
        ({"error_rate": None}, "needs error_rate, or errors and shown"),
        ({"by_week": [-1]}, "greater than or equal to 0"),
    ],
)
def test_a_season_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError, match=message):
        plan({**NSH, **change})


def test_a_class_outside_the_policy_is_refused(policy: Policy) -> None:
    with pytest.raises(InputError, match="Classes XYZ of the season are not in the policy of QMR-KBW-01"):
        simulate_season(plan({**NSH, "code": "XYZ"}), policy)


def test_a_policy_of_another_site_is_refused(policy: Policy) -> None:
    with pytest.raises(InputError, match="Season is of QMR-KBW-02, policy of QMR-KBW-01"):
        simulate_season(plan(NSH, site="QMR-KBW-02"), policy)


def test_a_season_without_excluded_fish_still_has_its_page(policy: Policy) -> None:
    season = simulate_season(plan(AMS, seasons=50), policy)
    assert goals_of(season.plan, policy, risk=0.05) == ()
    assert "AMS" in render_page(season_page(season, ()))


def test_weeks_and_codes_must_fit() -> None:
    with pytest.raises(InputError, match="by_week must have one length"):
        plan(NSH, {**AMS, "by_week": [1]})
    with pytest.raises(InputError, match="class codes must differ"):
        plan(NSH, NSH)
    with pytest.raises(InputError, match="sterile males of BCF"):
        plan(NSH, sterile={"code": "BCF", "males": 3})


def test_medians_lie_inside(policy: Policy) -> None:
    season = simulate_season(plan(NSH), policy)
    mean, median, upper = season.held_by_day.T
    assert (median <= upper).all()
    assert np.isfinite(mean).all()
