"""Every held fish is counted once, under the rule that held it."""

from dataclasses import replace

import numpy as np
import pytest

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.combine import Individuals
from passage_cv.decision.rule import PROTECTED, UNFAMILIAR, Scored, choose_actions
from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.holds import BETWEEN, UnfamiliarHolds, count_unfamiliar
from passage_cv.evaluation.judging import Judged
from passage_cv.evaluation.values import evaluation_tables, evaluation_values
from passage_cv.records import Action
from passage_cv.stats.energy import centred_energy
from tests.gate_world import world_cutoffs
from tests.worlds import five_class_policy, five_class_scores


def test_the_rows_add_up_to_the_held_fish_and_name_each_rule() -> None:
    scores = five_class_scores(np.random.default_rng(2), separation=3.0)
    reasons = scores.text["hold_reason"].astype(object)
    is_test = np.flatnonzero(scores.role == "test")
    two = set(np.unique(scores.individual[is_test])[:7])
    reasons[np.isin(scores.individual, list(two))] = "two fish in view"
    scores = replace(
        scores,
        text={**scores.text, "hold_reason": reasons.astype(np.str_)},
        numbers={**scores.numbers, "unfamiliarity": centred_energy(scores.values)},
        meta={**scores.meta, "unfamiliarity": "logits"},
        present=scores.present | {"unfamiliarity"},
    )
    policy = five_class_policy()
    rules = tuple(
        rule.model_copy(update={"never_reject_above": 1e-6, "false_rejection_limit": None})
        if rule.code == "SNS"
        else rule
        for rule in policy.classes
    )
    found = assess(scores, calibrate(scores, policy.model_copy(update={"classes": rules})))
    by_reason = {row.reason: row for row in found.holds}
    assert by_reason["two fish in view"].held == 7
    assert {UNFAMILIAR, BETWEEN, PROTECTED} <= set(by_reason)
    assert found.holds[-1].reason == BETWEEN
    assert sum(row.held for row in found.holds) == int(found.judged.took(Action.HOLD).sum())
    assert sum(row.exclude for row in found.holds) == sum(n.held for n in found.counts if n.group == "exclude")
    assert [row["held"] for row in evaluation_tables(found)["holds"]] == [row.held for row in found.holds]
    cut, test = found.unfamiliar
    assert (cut.role, test.role) == ("cut", "test")
    row = by_reason[UNFAMILIAR]
    assert test.held == row.exclude + row.protected + row.wanted
    assert [line["held"] for line in evaluation_values(found)["held_as_unfamiliar"]] == [cut.held, test.held]


def test_what_holding_unfamiliar_fish_costs_is_counted_by_hand() -> None:
    """Ten excluded and ten wanted fish with sure scores: but for one, none would be held without the rule."""
    plain = world_cutoffs(five_class_policy())
    rules = plain.hold_rules.model_copy(update={"unfamiliarity_above": 2.0, "unfamiliarity_from": "model"})
    shares = {**plain.shares, "NSH": 0.1, "BOW": 0.9}
    cutoffs = plain.model_copy(update={"hold_rules": rules, "shares": shares, "u": -1.0, "v": 1.0, "eps": 0.0})
    label = np.repeat(["NSH", "BOW", "unknown"], [10, 10, 2])
    far = np.zeros(22)
    far[[0, 1, 2, 10, 20, 21]] = 3.0  # three excluded, one wanted, both unknown
    score = np.where(label == "NSH", 9.0, -9.0)
    score[0] = 0.0  # this one is held anyway
    held = np.where(far > 2.0, UNFAMILIAR, "")
    held[5] = "two fish in view"
    scored = Scored(score, held.astype(np.str_), np.zeros(22, dtype=np.bool_))
    judged = Judged(_fish(label, far), scored, choose_actions(scored, cutoffs))
    found = count_unfamiliar(judged, cutoffs, "cut")
    assert found is not None
    assert found == UnfamiliarHolds("cut", known=20, held=4, only_for_it=3, share=found.share)
    assert found.share == pytest.approx(0.1 * 0.3 + 0.9 * 0.1)
    never = cutoffs.model_copy(update={"hold_rules": rules.model_copy(update={"unfamiliarity_above": None})})
    assert count_unfamiliar(judged, never, "cut") is None


def _fish(label: np.ndarray, far: np.ndarray) -> Individuals:
    n = len(label)
    text = {"class": label, "individual": np.arange(n).astype(np.str_)}
    return Individuals(
        classes=("NSH", "BOW"),
        is_gate_score=False,
        values=np.zeros((n, 2)),
        n_views=np.ones(n, dtype=np.intp),
        first_row=np.arange(n),
        text=text,
        numbers={"unfamiliarity": far},
        hold_reason=np.full(n, ""),
    )
