"""Unknown fish are held above a level set on train, and the level holds no more known fish than was asked."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.combine import combine_views
from passage_cv.decision.cutoffs_file import read_cutoffs, write_cutoffs
from passage_cv.decision.rule import UNFAMILIAR, decide, score_with, unfamiliarity_of
from passage_cv.decision.unknown import hold_level
from passage_cv.policy import Views
from passage_cv.records import Action
from passage_cv.scores import Scores
from passage_cv.stats.energy import centred_energy
from tests.worlds import five_class_policy, five_class_scores


def with_energy(scores: Scores) -> Scores:
    """The same scores with the unfamiliarity that our runs write."""
    numbers = {**scores.numbers, "unfamiliarity": centred_energy(scores.values)}
    meta = {**scores.meta, "unfamiliarity": "logits"}
    return replace(scores, numbers=numbers, meta=meta, present=scores.present | {"unfamiliarity"})


@pytest.fixture(scope="module")
def scores() -> Scores:
    return with_energy(five_class_scores(np.random.default_rng(4)))


def with_what_a_model_says(scores: Scores) -> Scores:
    """The same scores with an unfamiliarity that no logits tell."""
    said = np.random.default_rng(7).normal(0, 1, len(scores))
    numbers, meta = {**scores.numbers, "unfamiliarity": said}, {**scores.meta, "unfamiliarity": "model"}
    return replace(scores, numbers=numbers, meta=meta, present=scores.present | {"unfamiliarity"})


@given(
    st.lists(st.tuples(st.integers(0, 5), st.floats(0.1, 3)), min_size=1, max_size=30),
    st.floats(0, 0.9),
)
def test_the_level_keeps_the_load_and_no_lower_one_does(drawn: list[tuple[int, float]], load: float) -> None:
    values = np.array([value for value, _ in drawn], dtype=np.float64)
    weights = np.array([weight for _, weight in drawn]) / sum(weight for _, weight in drawn)
    level = hold_level(values, weights, load)
    assert weights[values > level].sum() <= load + 1e-9
    lower = values[values < level]
    if len(lower):
        assert weights[values > lower.max()].sum() > load - 1e-9


@pytest.mark.parametrize("load", [0.02, 0.1, 0.3])
def test_train_fish_are_held_at_the_load_of_the_policy_at_its_shares(scores: Scores, load: float) -> None:
    policy = five_class_policy(unknown_hold_load=load)
    above = calibrate(scores, policy).hold_rules.unfamiliarity_above
    train = combine_views(scores.with_role("train"), policy.views)
    held = sum(
        policy.shares[code] * (train.numbers["unfamiliarity"][train.label == code] > above).mean()
        for code in policy.codes
    )
    assert load - 0.02 < held <= load + 1e-9  # 300 train fish of five classes: a step is at most 0.95 / 3 / 120


def test_the_rule_is_off_at_load_0_and_where_scores_say_nothing(scores: Scores) -> None:
    assert calibrate(scores, five_class_policy(unknown_hold_load=0)).hold_rules.unfamiliarity_above is None
    silent = five_class_scores(np.random.default_rng(4))
    assert calibrate(silent, five_class_policy()).hold_rules.unfamiliarity_above is None


def test_the_rule_is_inside_the_calibration_and_only_takes_fish_from_pass_and_reject(scores: Scores) -> None:
    policy = five_class_policy(unknown_hold_load=0.1)
    cutoffs = calibrate(scores, policy)
    cut = combine_views(scores.with_role("cut"), policy.views)
    scored = score_with(cut, cutoffs)
    unfamiliar = cut.numbers["unfamiliarity"] > cutoffs.gate_unfamiliarity
    assert 0 < unfamiliar.sum() < len(cut) / 2
    assert (scored.held[unfamiliar] == UNFAMILIAR).all()
    assert np.isinf(scored.to_pass[unfamiliar]).all()
    assert np.isinf(scored.to_reject[unfamiliar]).all()
    free = calibrate(scores, policy.model_copy(update={"unknown_hold_load": 0.0}))
    assert cutoffs.u_cap >= free.u_cap  # a held invader is no miss: the cap can only rise (decision-method 8)


def test_the_gate_decides_each_fish_as_the_table_does(scores: Scores) -> None:
    cutoffs = calibrate(scores, five_class_policy(unknown_hold_load=0.2))
    table = combine_views(scores.with_role("test"), cutoffs.views)
    scored, reasons = score_with(table, cutoffs), set()
    for place, name in enumerate(table.name[:80]):
        views = scores.values[(scores.individual == name) & (scores.role == "test")]
        made = decide(views, cutoffs)
        assert made.hold_reason == scored.held[place]
        reasons.add(made.hold_reason)
    assert reasons == {"", UNFAMILIAR}


def test_the_gate_decides_each_fish_as_the_table_does_where_the_model_says_it(scores: Scores) -> None:
    told = with_what_a_model_says(scores)
    cutoffs = calibrate(told, five_class_policy(unknown_hold_load=0.2))
    assert cutoffs.hold_rules.unfamiliarity_from == "model"
    table = combine_views(told.with_role("test"), cutoffs.views)
    scored, reasons = score_with(table, cutoffs), set()
    for place, name in enumerate(table.name[:80]):
        own = (told.individual == name) & (told.role == "test")
        far = unfamiliarity_of(told.values[own], cutoffs, said=told.numbers["unfamiliarity"][own])
        assert far == pytest.approx(table.numbers["unfamiliarity"][place], rel=1e-12)
        made = decide(told.values[own], cutoffs, unfamiliarity=far)
        assert made.hold_reason == scored.held[place]
        reasons.add(made.hold_reason)
        assert decide(told.values[own], cutoffs).hold_reason == UNFAMILIAR  # never from the logits instead
    assert reasons == {"", UNFAMILIAR}


def test_what_the_model_says_is_not_read_where_the_cutoffs_take_the_logits(scores: Scores) -> None:
    cutoffs = calibrate(scores, five_class_policy())
    views = scores.values[:2]
    assert unfamiliarity_of(views, cutoffs, said=np.array([99.0, 99.0])) == unfamiliarity_of(views, cutoffs)


@pytest.mark.parametrize(("said", "kept"), [("model", "model"), ("logits", "logits"), ("own", None), (None, None)])
def test_the_cutoffs_file_names_a_source_that_a_gate_has(
    scores: Scores, tmp_path: Path, said: str | None, kept: str | None
) -> None:
    found = calibrate(replace(scores, meta={**scores.meta, "unfamiliarity": said}), five_class_policy())
    write_cutoffs(found, tmp_path / "cutoffs.json")
    assert read_cutoffs(tmp_path / "cutoffs.json").hold_rules.unfamiliarity_from == kept
    assert ("unfamiliarity_from" in (tmp_path / "cutoffs.json").read_text()) == (kept is not None)


def test_the_gate_holds_whatever_lies_within_eps_of_the_level(scores: Scores) -> None:
    cutoffs = calibrate(scores, five_class_policy())
    level = cutoffs.hold_rules.unfamiliarity_above
    views = np.array([[20.0, 0, 0, 0, 0]])
    assert decide(views, cutoffs, unfamiliarity=level - 0.5 * cutoffs.eps).hold_reason == UNFAMILIAR
    assert decide(views, cutoffs, unfamiliarity=level - 2 * cutoffs.eps).action is Action.REJECT


def test_an_unfamiliarity_that_is_not_given_and_cannot_be_computed_holds(scores: Scores) -> None:
    cutoffs = calibrate(scores, five_class_policy())
    rules = cutoffs.hold_rules.model_copy(update={"unfamiliarity_from": None})
    foreign = cutoffs.model_copy(update={"hold_rules": rules})
    views = np.array([[20.0, 0, 0, 0, 0]])
    assert math.isnan(unfamiliarity_of(views, foreign))
    assert decide(views, foreign).hold_reason == UNFAMILIAR
    assert decide(views, cutoffs).action is Action.REJECT


def test_the_unfamiliarity_of_a_fish_is_the_mean_of_the_views_used(scores: Scores) -> None:
    most = combine_views(scores, Views(max=2))
    for place in range(40):
        own = scores.numbers["unfamiliarity"][scores.individual == most.name[place]][:2]
        assert most.numbers["unfamiliarity"][place] == pytest.approx(own.mean(), rel=1e-12)


def test_a_policy_that_does_not_say_keeps_its_hash_and_one_that_does_has_another() -> None:
    assert "unknown_hold_load" not in five_class_policy().model_dump(mode="json")
    assert five_class_policy(unknown_hold_load=0.05).sha256 == five_class_policy().sha256
    assert five_class_policy(unknown_hold_load=0.1).sha256 != five_class_policy().sha256
