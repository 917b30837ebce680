"""What a site may ask beside costs and limits per class: a pooled limit, quality weights, a floor, new fish only."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import log_softmax
from scipy.stats import binom

from passage_cv.config import parse_settings
from passage_cv.decision.calibrate import ANY_CUTOFF, calibrate
from passage_cv.decision.combine import combine_views, mean_views
from passage_cv.decision.cutoffs_file import Cutoffs, read_cutoffs, write_cutoffs
from passage_cv.decision.demands import POOLED, Demands, demands_in, demands_of
from passage_cv.decision.rule import choose_actions, decide, score_with
from passage_cv.decision.unmet import describe_unmet, refused_on_counts
from passage_cv.errors import InputError
from passage_cv.policy import Policy, Views
from passage_cv.records import Action
from passage_cv.scores import Scores, build_scores
from tests.worlds import CODES, five_class_policy, five_class_scores

SAMPLES = Path(__file__).parent / "samples"


@pytest.fixture(scope="module")
def scores() -> Scores:
    return five_class_scores(np.random.default_rng(1))


def pooled_policy(limit: float, **changes: object) -> Policy:
    rules = [rule.model_dump(exclude_none=True, exclude={"miss_limit"}) for rule in five_class_policy().classes]
    return five_class_policy(classes=rules, pooled_miss_limit=limit, **changes)


class TestPooledLimit:
    def test_it_stands_apart_with_its_warning(self, scores: Scores) -> None:
        found = calibrate(scores, pooled_policy(0.05))
        pooled = found.pooled_limit
        assert pooled is not None
        assert (pooled.class_, pooled.kind, pooled.met) == (POOLED, "pooled miss", True)
        cut = combine_views(scores, found.views).with_role("cut")
        assert pooled.n == np.isin(cut.label, ["NSH", "BCF"]).sum()
        assert binom.cdf(pooled.k - 1, pooled.n, 0.05) <= 0.025 < binom.cdf(pooled.k, pooled.n, 0.05)
        assert {limit.kind for limit in found.limits} == {"false rejection"}
        assert any("only while their mix stays as it was imaged (NSH" in line for line in found.warnings)

    def test_misses_of_the_group_stay_within_the_rank(self, scores: Scores) -> None:
        found = calibrate(scores, pooled_policy(0.05))
        assert found.pooled_limit is not None
        cut = combine_views(scores, found.views).with_role("cut")
        passed = choose_actions(score_with(cut, found), found) == Action.PASS
        assert passed[np.isin(cut.label, ["NSH", "BCF"])].sum() <= found.pooled_limit.k - 1

    def test_it_is_not_asked_unless_asked(self, scores: Scores, tmp_path: Path) -> None:
        found = calibrate(scores, five_class_policy())
        assert found.pooled_limit is None
        write_cutoffs(found, tmp_path / "cutoffs.json")
        assert "pooled" not in (tmp_path / "cutoffs.json").read_text()

    def test_both_kinds_together_keep_the_tighter(self, scores: Scores) -> None:
        per_class = calibrate(scores, five_class_policy())
        both = calibrate(scores, five_class_policy(pooled_miss_limit=0.3))
        strict = calibrate(scores, five_class_policy(pooled_miss_limit=0.02))
        assert both.u_cap == per_class.u_cap
        assert strict.u_cap is not None
        assert per_class.u_cap is not None
        assert strict.u_cap < per_class.u_cap

    def test_too_few_are_counted_for_the_group(self) -> None:
        few = five_class_scores(np.random.default_rng(1), per_class=60)  # 24 of each class in cut
        found = calibrate(few, pooled_policy(0.05))
        assert found.u is None
        assert found.unmet[-1].missing_in_cut == 72 - found.unmet[-1].n  # formats 5: 72 at delta halved
        assert POOLED in describe_unmet(found)[-1]
        assert refused_on_counts(few, pooled_policy(0.05))
        assert not refused_on_counts(few, pooled_policy(0.3))

    def test_one_excluded_class_is_no_pool(self) -> None:
        rules = [rule.model_dump(exclude_none=True) for rule in five_class_policy().classes if rule.code != "BCF"]
        values = {**five_class_policy().model_dump(exclude_none=True), "classes": rules, "pooled_miss_limit": 0.05}
        with pytest.raises(InputError, match="needs two excluded classes"):
            parse_settings(values, Policy, where="policy.toml")


class TestQualityWeights:
    def test_a_weight_counts_as_so_many_copies(self) -> None:
        views = np.array([[2.0, 0.0], [0.0, 1.0]])
        weighted = mean_views(views, np.array([3.0, 1.0]), np.array([0]))
        copied = mean_views(np.repeat(views, [3, 1], axis=0), np.ones(4), np.array([0]))
        assert weighted == pytest.approx(copied, rel=1e-12)

    def test_gate_and_calibration_weigh_alike(self, scores: Scores) -> None:
        rng = np.random.default_rng(5)
        weights = rng.uniform(0.2, 2, len(scores))
        weighted = replace(scores, numbers={**scores.numbers, "view_weight": weights})
        cutoffs = calibrate(weighted, five_class_policy())
        fish = combine_views(weighted, cutoffs.views)
        scored = score_with(fish, cutoffs).score
        for i in range(0, len(fish), 97):
            own = scores.individual == fish.name[i]
            decision = decide(scores.values[own], cutoffs, weights=weights[own])
            assert decision.score == pytest.approx(float(scored[i]), rel=1e-12)
        assert any("same weights" in line for line in cutoffs.warnings)
        assert cutoffs.quality_weights

    def test_weights_that_are_all_alike_change_nothing(self, scores: Scores, tmp_path: Path) -> None:
        alike = replace(scores, numbers={**scores.numbers, "view_weight": np.full(len(scores), 2.0)})
        plain, heavy = (calibrate(one, five_class_policy()) for one in (scores, alike))
        assert (heavy.u, heavy.v, heavy.warnings) == (plain.u, plain.v, plain.warnings)
        write_cutoffs(heavy, tmp_path / "cutoffs.json")
        assert "quality_weights" not in (tmp_path / "cutoffs.json").read_text()

    @pytest.mark.parametrize("weight", [0.0, -1.0, math.inf])
    def test_a_weight_that_is_none_is_refused_with_its_row(self, weight: float) -> None:
        columns = {"individual": ["a", "b"], "class": ["NSH", "AMS"], "view_weight": [1.0, weight]}
        odd = build_scores("logit", CODES, np.zeros((2, 5)), columns)
        with pytest.raises(InputError, match="row 3, a positive number"):
            combine_views(odd, Views())

    @pytest.mark.parametrize("weights", [[1.0], [1.0, 0.0], [1.0, math.nan], [1.0, -2.0]])
    def test_weights_that_do_not_fit_hold(self, scores: Scores, weights: list[float]) -> None:
        cutoffs = calibrate(scores, five_class_policy())
        sure = np.array([[0, 0, 9.0, 0, 0], [0, 0, 9.0, 0, 0]])
        assert decide(sure, cutoffs).action is Action.PASS
        decision = decide(sure, cutoffs, weights=np.array(weights))
        assert (decision.action, decision.hold_reason) == (Action.HOLD, "quality weights do not fit the views")


class TestFloor:
    @given(st.lists(st.lists(st.floats(-30, 30), min_size=3, max_size=3), min_size=1, max_size=4))
    def test_floored_mean_is_the_definition(self, rows: list[list[float]]) -> None:
        views = np.array(rows)
        found = mean_views(views, np.ones(len(views)), np.array([0]), floor=0.01)[0]
        expected = np.maximum(log_softmax(views, axis=1), math.log(0.01)).mean(axis=0)
        assert found == pytest.approx(expected, rel=1e-12, abs=1e-12)

    def test_one_bad_view_cannot_veto(self, scores: Scores) -> None:
        plain = calibrate(scores, five_class_policy())
        floored = calibrate(scores, five_class_policy(views={"max": 3, "floor": 0.02}))
        snakehead, bad = [6.0, 0, 0, 3, 0], [-60.0, -60, 9, 9, 0]
        views = np.array([snakehead, snakehead, bad])
        assert decide(views, plain).action is Action.PASS
        assert decide(views, floored).action is not Action.PASS

    def test_gate_and_calibration_floor_alike(self, scores: Scores, tmp_path: Path) -> None:
        cutoffs = calibrate(scores, five_class_policy(views={"max": 3, "floor": 0.02}))
        write_cutoffs(cutoffs, tmp_path / "cutoffs.json")
        again = read_cutoffs(tmp_path / "cutoffs.json")
        assert again.views.floor == 0.02
        fish = combine_views(scores, again.views)
        scored = score_with(fish, again).score
        for i in range(0, len(fish), 97):
            views = scores.values[scores.individual == fish.name[i]]
            assert decide(views, again).score == pytest.approx(float(scored[i]), rel=1e-12)

    def test_an_infinite_logit_still_holds(self, scores: Scores) -> None:
        cutoffs = calibrate(scores, five_class_policy(views={"max": 3, "floor": 0.02}))
        views = np.array([[0, 0, 9.0, 0, -math.inf]])
        assert decide(views, cutoffs).hold_reason == "score is not a number"
        odd = build_scores("logit", CODES, views, {"individual": ["a"], "class": ["AMS"]})
        assert combine_views(odd, cutoffs.views).hold_reason.tolist() == ["score is not a number"]

    def test_ready_gate_scores_have_nothing_to_floor(self) -> None:
        ready = build_scores("gate_score", (), np.zeros((1, 1)), {"individual": ["a"], "class": ["NSH"]})
        with pytest.raises(InputError, match="no class probabilities"):
            calibrate(ready, five_class_policy(views={"max": 3, "floor": 0.02}))


class TestNewFishOnly:
    def test_spent_fish_set_nothing(self, scores: Scores) -> None:
        cut = np.unique(scores.individual[scores.role == "cut"])
        spent = {str(name) for name in cut[::2]}
        found = calibrate(scores, five_class_policy(), attempt=2, spent=spent)
        rest = scores.where(~np.isin(scores.individual, sorted(spent)))
        again = calibrate(rest, five_class_policy(), attempt=1)
        assert (found.u, found.v, found.limits) == (again.u, again.v, again.limits)
        assert found.attempt == 2
        assert f"{len(spent)} of {len(cut)} individuals of role cut were left out" in found.warnings[0]

    def test_all_spent_is_refused(self, scores: Scores) -> None:
        cut = {str(name) for name in scores.individual[scores.role == "cut"]}
        with pytest.raises(InputError, match=rf"All {len(cut)} individuals of role cut have set a cutoff"):
            calibrate(scores, five_class_policy(), attempt=2, spent=cut)


def same_demands(one: Demands, other: Demands) -> bool:
    plain = (one.limits, one.mode, one.seed, one.rules, one.capacity) == (
        other.limits,
        other.mode,
        other.seed,
        other.rules,
        other.capacity,
    )
    arrays = ("excluded", "shares", "error", "hold")
    return plain and all((getattr(one.costs, name) == getattr(other.costs, name)).all() for name in arrays)


@pytest.mark.parametrize(
    "changes",
    [{}, {"mode": "trip"}, {"attempts": 2}, {"presentations_per_hour": 90, "hold_capacity_per_hour": 30}],
)
def test_a_cutoffs_file_carries_its_demands(scores: Scores, tmp_path: Path, changes: dict[str, object]) -> None:
    policy = five_class_policy(**changes)
    write_cutoffs(calibrate(scores, policy), tmp_path / "cutoffs.json")
    assert same_demands(demands_in(read_cutoffs(tmp_path / "cutoffs.json")), demands_of(policy, scores.classes))


def test_a_class_held_whole_allows_any_cutoff(scores: Scores) -> None:
    """Every excluded fish of cut is held by a rule: the cap is a number, not null, which would say nothing passes."""
    excluded = np.isin(scores.label, ["NSH", "BCF"]) & (scores.role == "cut")
    held = replace(scores, text={**scores.text, "hold_reason": np.where(excluded, "unknown", "").astype(str)})
    found = calibrate(held, five_class_policy())
    assert found.u_cap == ANY_CUTOFF
    assert found.u is not None


def test_the_first_cutoffs_file_can_still_be_read(scores: Scores) -> None:
    """Written before hold capacity and the pooled limit came in; the same fish and policy give the same numbers."""
    old: Cutoffs = read_cutoffs(SAMPLES / "cutoffs-1-first.json")
    new = calibrate(scores, five_class_policy())
    assert (old.u, old.v, old.u_cap, old.v_floor) == (new.u, new.v, new.u_cap, new.v_floor)
    assert old.hold_load is None
    assert old.pooled_limit is None
    assert old.views.floor is None
