"""Every held fish is counted once, under the rule that held it."""

from dataclasses import replace

import numpy as np

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.rule import PROTECTED, UNFAMILIAR
from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.holds import BETWEEN
from passage_cv.evaluation.values import evaluation_tables
from passage_cv.records import Action
from passage_cv.stats.energy import centred_energy
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
