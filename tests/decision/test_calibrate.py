"""The decision stage as a whole: limits met and refused, roles, classes, attempts (decision-method 12.9 to 12.11)."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.combine import combine_views
from passage_cv.decision.cutoffs_file import Cutoffs, read_cutoffs, write_cutoffs
from passage_cv.decision.rule import choose_actions, decide, score_with
from passage_cv.decision.unmet import describe_unmet
from passage_cv.errors import InputError
from passage_cv.policy import Policy
from passage_cv.records import Action
from passage_cv.scores import Scores, build_scores, read_scores, write_scores
from tests.worlds import CODES, five_class_policy, five_class_scores


def fixed_now() -> datetime:
    return datetime(2031, 5, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def scores() -> Scores:
    return five_class_scores(np.random.default_rng(1))


@pytest.fixture(scope="module")
def cutoffs(scores: Scores) -> Cutoffs:
    return calibrate(scores, five_class_policy(), now=fixed_now)


def test_limits_are_met_and_named(cutoffs: Cutoffs) -> None:
    assert [(limit.class_, limit.kind, limit.met) for limit in cutoffs.limits] == [
        ("NSH", "miss", True),
        ("BCF", "miss", True),
        ("SNS", "false rejection", True),
    ]
    assert {limit.confidence for limit in cutoffs.limits} == {0.975}  # delta halved: both kinds are limited
    assert cutoffs.u is not None
    assert cutoffs.v is not None
    assert cutoffs.u_cap is not None
    assert cutoffs.u <= cutoffs.u_cap
    assert cutoffs.u <= cutoffs.v


def test_expected_cost_is_between_free_choice_and_holding_all(cutoffs: Cutoffs) -> None:
    cost = cutoffs.expected_cost
    assert cost.without_limits <= cost.chosen <= cost.hold_all


def test_misses_of_cut_fish_stay_within_the_rank(scores: Scores, cutoffs: Cutoffs) -> None:
    cut = combine_views(scores, cutoffs.views).with_role("cut")
    actions = choose_actions(score_with(cut, cutoffs), cutoffs)
    for limit in cutoffs.limits:
        wrong = Action.PASS if limit.kind == "miss" else Action.REJECT
        assert (actions[cut.label == limit.class_] == wrong).sum() <= limit.k - 1


def test_test_rows_never_change_a_cutoff(scores: Scores, cutoffs: Cutoffs) -> None:
    without = calibrate(scores.where(scores.role != "test"), five_class_policy(), now=fixed_now)
    assert without == cutoffs


def test_too_few_fish_allow_nothing_and_name_the_number() -> None:
    few = five_class_scores(np.random.default_rng(1), per_class=60)
    cutoffs = calibrate(few, five_class_policy())
    assert (cutoffs.u, cutoffs.v) == (None, None)
    assert len(cutoffs.unmet) == 3
    nsh = cutoffs.unmet[0]
    assert nsh.missing_in_cut == 72 - nsh.n  # formats 5: 72 fish show 5 % where delta is halved
    assert nsh.missing_to_image == math.ceil(nsh.missing_in_cut / 0.4)
    assert "NSH" in describe_unmet(cutoffs)[0]
    assert f"Image about {nsh.missing_to_image} more" in describe_unmet(cutoffs)[0]
    fish = combine_views(few, cutoffs.views)
    assert set(choose_actions(score_with(fish, cutoffs), cutoffs)) == {Action.HOLD}


def test_saved_cutoffs_decide_bit_for_bit(scores: Scores, cutoffs: Cutoffs, tmp_path: Path) -> None:
    write_cutoffs(cutoffs, tmp_path / "cutoffs.json")
    again = read_cutoffs(tmp_path / "cutoffs.json")
    assert again == cutoffs
    fish = combine_views(scores, cutoffs.views)
    assert (score_with(fish, again).score == score_with(fish, cutoffs).score).all()


def test_no_limit_asked_leaves_the_keys_out(scores: Scores, tmp_path: Path) -> None:
    rules = [
        rule.model_dump(exclude_none=True, exclude={"miss_limit", "false_rejection_limit"})
        for rule in five_class_policy().classes
    ]
    free = calibrate(scores, five_class_policy(classes=rules))
    write_cutoffs(free, tmp_path / "cutoffs.json")
    text = (tmp_path / "cutoffs.json").read_text()
    assert '"u_cap"' not in text
    assert '"v_floor"' not in text
    assert free.u is not None


def test_unknown_key_in_a_cutoffs_file_is_refused(cutoffs: Cutoffs, tmp_path: Path) -> None:
    path = tmp_path / "cutoffs.json"
    write_cutoffs(cutoffs, path)
    path.write_text(path.read_text().replace('"attempt"', '"atempt"'))
    with pytest.raises(InputError, match="atempt"):
        read_cutoffs(path)


def test_class_order_permutes_nothing_else(scores: Scores, cutoffs: Cutoffs) -> None:
    order = np.array([3, 0, 4, 2, 1])
    turned = replace(scores, values=scores.values[:, order], classes=tuple(CODES[i] for i in order))
    again = calibrate(turned, five_class_policy(), now=fixed_now)
    assert again.u == pytest.approx(cutoffs.u, abs=1e-6)
    assert again.v == pytest.approx(cutoffs.v, abs=1e-6)


def test_duplicated_images_change_nothing_at_full_correlation(scores: Scores) -> None:
    one = scores.where(np.append(True, scores.individual[1:] != scores.individual[:-1]))
    rows = np.repeat(np.arange(len(one)), 2)
    twice = replace(
        one,
        values=one.values[rows],
        text={name: column[rows] for name, column in one.text.items()},
        numbers={name: column[rows] for name, column in one.numbers.items()},
    )
    first, second = (calibrate(each, five_class_policy(), now=fixed_now) for each in (one, twice))
    assert second.u == pytest.approx(first.u, rel=1e-9)


def test_image_order_never_matters(scores: Scores, cutoffs: Cutoffs) -> None:
    whole = scores.where(np.random.default_rng(0).permutation(len(scores)) >= 0)
    fish = combine_views(whole, cutoffs.views)
    shuffled_rows = np.random.default_rng(2).permutation(len(scores))
    shuffled = replace(
        scores,
        values=scores.values[shuffled_rows],
        text={name: column[shuffled_rows] for name, column in scores.text.items()},
        numbers={name: column[shuffled_rows] for name, column in scores.numbers.items()},
    )
    other = combine_views(shuffled, cutoffs.views)
    place = {name: i for i, name in enumerate(other.name)}
    assert np.allclose(fish.values, other.values[[place[name] for name in fish.name]], atol=1e-12)


def test_scores_without_information_pass_only_about_the_limit() -> None:
    """Property 11: an excluded and a wanted fish that look alike are passed alike, so rarely."""
    rng = np.random.default_rng(9)
    blind = five_class_scores(rng, per_class=500, separation=0.0)
    cutoffs = calibrate(blind, five_class_policy())
    cut = combine_views(blind, cutoffs.views).with_role("test")
    wanted = np.isin(cut.label, ["AMS", "BOW", "SNS"])
    passed = choose_actions(score_with(cut, cutoffs), cutoffs)[wanted] == Action.PASS
    assert passed.mean() < 0.10


@pytest.mark.parametrize("reason", ["unknown", "two fish in view", "empty view"])
def test_a_held_view_is_never_passed_or_rejected(cutoffs: Cutoffs, reason: str) -> None:
    for logits in (np.array([[9.0, 0, 0, 0, 0]]), np.array([[0, 0, 9.0, 0, 0]])):
        decision = decide(logits, cutoffs, hold_reason=reason)
        assert (decision.action, decision.hold_reason) == (Action.HOLD, reason)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_score_that_is_not_a_number_holds(cutoffs: Cutoffs, bad: float) -> None:
    for place in range(5):
        logits = np.zeros((1, 5))
        logits[0, place] = bad
        decision = decide(logits, cutoffs)
        assert (decision.action, decision.hold_reason) == (Action.HOLD, "score is not a number")


def test_no_views_and_wrong_width_hold(cutoffs: Cutoffs) -> None:
    assert decide(np.empty((0, 5)), cutoffs).hold_reason == "too few views"
    assert decide(np.zeros((1, 4)), cutoffs).action is Action.HOLD


def test_ties_at_the_cutoffs_hold(cutoffs: Cutoffs) -> None:
    ready = build_scores(
        "gate_score",
        (),
        np.linspace(-3, 3, 400)[:, None],
        {"individual": [f"f{i}" for i in range(400)], "class": ["AMS"] * 200 + ["NSH"] * 200},
    )
    policy = two_class_policy()
    found = calibrate(ready, policy)
    assert found.eps == 0
    for cutoff in (found.gate_u, found.gate_v):
        assert decide(np.array([[float(cutoff)]]), found).action is Action.HOLD
    below, above = np.nextafter(found.gate_u, np.float32(-9)), np.nextafter(found.gate_v, np.float32(9))
    assert decide(np.array([[float(below)]]), found).action is Action.PASS
    assert decide(np.array([[float(above)]]), found).action is Action.REJECT


def two_class_policy() -> Policy:
    return Policy.model_validate(
        {
            "format": 1,
            "site": "x",
            "confidence": 0.95,
            "classes": [
                {"code": "NSH", "scientific_name": "a", "policy": "exclude", "pass_cost": 20, "miss_limit": 0.05},
                {"code": "AMS", "scientific_name": "b", "policy": "pass", "reject_cost": 5},
            ],
        }
    )


def test_never_reject_above_holds_instead(scores: Scores) -> None:
    rules = [rule.model_dump(exclude_none=True) for rule in five_class_policy().classes]
    rules[4] = {**rules[4], "never_reject_above": 0.01}
    del rules[4]["false_rejection_limit"]
    cutoffs = calibrate(scores, five_class_policy(classes=rules))
    fish = combine_views(scores, cutoffs.views)
    scored = score_with(fish, cutoffs)
    assert scored.not_rejected[fish.label == "SNS"].mean() > 0.9
    assert not (choose_actions(scored, cutoffs)[scored.not_rejected] == Action.REJECT).any()


class TestRefusals:
    def test_different_classes(self, scores: Scores) -> None:
        with pytest.raises(InputError, match=r"only in the policy \['NSH'\], only in the scores \['XXX'\]"):
            calibrate(replace(scores, classes=("XXX", *CODES[1:])), five_class_policy())

    def test_label_outside_the_classes_names_its_row(self) -> None:
        odd = build_scores("logit", CODES, np.zeros((2, 5)), {"individual": ["a", "b"], "class": ["NSH", "NHS"]})
        with pytest.raises(InputError, match="'NHS' in row 3"):
            calibrate(odd, five_class_policy())

    def test_trip_in_two_roles(self, scores: Scores) -> None:
        with pytest.raises(InputError, match="stands in the roles"):
            calibrate(replace(scores, meta={"unit": "trip"}), five_class_policy())

    def test_individual_in_two_roles(self) -> None:
        columns = {"individual": ["a", "a"], "class": ["NSH", "NSH"], "role": ["train", "cut"]}
        with pytest.raises(InputError, match="Individual a has role"):
            build_scores("logit", CODES, np.zeros((2, 5)), columns)

    def test_attempt_beyond_those_fixed(self, scores: Scores) -> None:
        with pytest.raises(InputError, match="attempt 2"):
            calibrate(scores, five_class_policy(), attempt=2)

    def test_no_cut_fish(self, scores: Scores) -> None:
        with pytest.raises(InputError, match="No individual has role cut"):
            calibrate(scores.with_role("train"), five_class_policy())

    def test_mode_trip_without_trips(self, scores: Scores) -> None:
        bare = replace(scores, text={**scores.text, "trip": np.full(len(scores), "")})
        with pytest.raises(InputError, match="needs the trip"):
            calibrate(bare, five_class_policy(mode="trip"))


def test_attempts_are_paid_for(scores: Scores) -> None:
    paid = calibrate(scores, five_class_policy(attempts=2), attempt=2)
    assert paid.delta_miss == pytest.approx(0.05 / 2 / 2)
    assert {limit.confidence for limit in paid.limits} == {1 - 0.0125}


def test_unknown_fish_are_left_out_with_a_warning(scores: Scores, cutoffs: Cutoffs) -> None:
    label = np.where(scores.individual == "F00000", "unknown", scores.label).astype(str)
    role = np.where(scores.individual == "F00000", "cut", scores.role).astype(str)
    odd = replace(scores, text={**scores.text, "class": label, "role": role})
    assert any("1 individuals of no class" in line for line in calibrate(odd, five_class_policy()).warnings)


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_scores_file_round_trip_gives_the_same_cutoffs(scores: Scores, tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"scores.{ending}"
    digest = write_scores(replace(scores, meta={"version": "000001-abc"}), path)
    again = read_scores(path)
    assert again.sha256 == digest
    assert again.meta["version"] == "000001-abc"
    assert (again.values == scores.values).all()
    first, second = (calibrate(each, five_class_policy(), now=fixed_now) for each in (scores, again))
    assert (first.u, first.v) == (second.u, second.v)


def test_scores_of_other_classes_never_move_a_cap(scores: Scores) -> None:
    """Property 2: with ready gate scores a cap depends on its own class alone."""
    rng = np.random.default_rng(3)
    labels = np.repeat(["NSH", "AMS"], 200)
    columns = {"individual": [f"f{i}" for i in range(400)], "class": labels}
    own, others = rng.normal(2, 1, 200), rng.normal(-2, 1, (2, 200))
    caps = {
        calibrate(build_scores("gate_score", (), np.append(own, other)[:, None], columns), two_class_policy()).u_cap
        for other in others
    }
    assert len(caps) == 1


@pytest.mark.parametrize("seed", range(3))
def test_more_vetoes_never_mean_more_misses_or_refusals(scores: Scores, cutoffs: Cutoffs, seed: int) -> None:
    """Property 10: at fixed u and v a hold rule only takes fish out of passing and rejecting."""
    vetoed = np.random.default_rng(seed).random(len(scores)) < 0.2
    text = {**scores.text, "hold_reason": np.where(vetoed, "two fish in view", "").astype(str)}
    plain, held = (
        choose_actions(score_with(combine_views(each, cutoffs.views), cutoffs), cutoffs)
        for each in (scores, replace(scores, text=text))
    )
    assert ((held == plain) | (held == Action.HOLD)).all()
    assert (held == Action.HOLD).sum() > (plain == Action.HOLD).sum()


@given(shift=st.floats(0, 8))
def test_more_like_an_excluded_class_never_moves_toward_pass(cutoffs: Cutoffs, shift: float) -> None:
    order = {Action.PASS: 0, Action.HOLD: 1, Action.REJECT: 2}
    rng = np.random.default_rng(int(shift * 1e6))
    for logits in rng.normal(0, 3, (5, 1, 5)):
        more = logits + np.array([shift, 0, 0, 0, 0])
        assert order[decide(more, cutoffs).action] >= order[decide(logits, cutoffs).action]
