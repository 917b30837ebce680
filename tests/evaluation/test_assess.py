"""What the report will say: test fish judged with fixed cutoffs, worst cases, the cost curve, trips left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.combine import combine_views
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.guarantee import miss_cap
from passage_cv.decision.rule import decide
from passage_cv.errors import InputError
from passage_cv.evaluation.assess import Assessment, assess
from passage_cv.evaluation.costs import cost_curve
from passage_cv.evaluation.judging import judge
from passage_cv.evaluation.trips import leave_one_trip_out
from passage_cv.records import Action
from passage_cv.scores import Scores
from tests.evaluation.small_world import small_cutoffs, small_scores
from tests.worlds import five_class_policy, five_class_scores


@pytest.fixture(scope="module")
def scores() -> Scores:
    return five_class_scores(np.random.default_rng(3), meta={"model_sha256": "a" * 64})


@pytest.fixture(scope="module")
def cutoffs(scores: Scores) -> Cutoffs:
    return calibrate(scores, five_class_policy())


@pytest.fixture(scope="module")
def assessment(scores: Scores, cutoffs: Cutoffs) -> Assessment:
    return assess(scores, cutoffs)


def test_only_test_fish_are_counted(scores: Scores, assessment: Assessment) -> None:
    assert assessment.checked
    in_test = len(np.unique(scores.individual[scores.role == "test"]))
    assert sum(count.shown for count in assessment.counts) == in_test


def test_every_action_is_that_of_the_one_rule(scores: Scores, cutoffs: Cutoffs, assessment: Assessment) -> None:
    own = [str(name) for name in assessment.judged.individuals.name]
    for i in range(0, len(own), 17):
        views = scores.values[scores.individual == own[i]]
        assert decide(views, cutoffs).action is assessment.judged.actions[i]


def test_other_roles_never_change_a_count(scores: Scores, cutoffs: Cutoffs, assessment: Assessment) -> None:
    again = assess(scores.where(scores.role != "train"), cutoffs)
    assert again.counts == assessment.counts


def test_without_test_fish_the_cut_fish_stand_in_as_unchecked(scores: Scores, cutoffs: Cutoffs) -> None:
    unchecked = assess(scores.where(scores.role != "test"), cutoffs)
    assert not unchecked.checked
    in_cut = len(np.unique(scores.individual[scores.role == "cut"]))
    assert sum(count.shown for count in unchecked.counts) == in_cut


def test_neither_role_is_refused(scores: Scores, cutoffs: Cutoffs) -> None:
    with pytest.raises(InputError, match="No individual has role test or cut"):
        assess(scores.with_role("train"), cutoffs)


def test_another_model_is_refused(scores: Scores, cutoffs: Cutoffs) -> None:
    with pytest.raises(InputError, match="model bbbbbbbb, the cutoffs were set for aaaaaaaa"):
        assess(replace(scores, meta={"model_sha256": "b" * 64}), cutoffs)


def test_another_class_list_is_refused(scores: Scores, cutoffs: Cutoffs) -> None:
    with pytest.raises(InputError, match="cutoffs were set for"):
        assess(replace(scores, classes=("XXX", *scores.classes[1:])), cutoffs)


def test_misses_come_first_then_refusals_then_the_nearest() -> None:
    scores = small_scores()
    assessment = assess(scores, small_cutoffs(scores), worst=30)
    kinds = [(case.label, case.action) for case in assessment.worst]
    assert kinds[0] == ("NSH", "pass")
    assert kinds[1:4] == [("AMS", "reject")] * 3
    assert kinds[4:6] == [("NSH", "hold")] * 2
    assert {label for label, _ in kinds[6:]} == {"NSH", "BCF"}
    assert len(kinds) == 1 + 3 + 9 + 4  # wanted fish that were not rejected are no cases


def test_cost_is_the_mean_over_classes_at_the_site_shares() -> None:
    """By hand: NSH 1/10 passed at 20 and 2/10 held; AMS 3/11 rejected at 5; SNS held; BCF free; classes at shares."""
    scores = small_scores()
    cutoffs = small_cutoffs(scores)
    share = cutoffs.shares
    by_hand = share["NSH"] * (0.1 * 20 + 0.2 * 1) + share["AMS"] * 3 / 11 * 5 + share["SNS"] * 1
    present = share["NSH"] + share["BCF"] + share["AMS"] + share["SNS"]
    assert assess(scores, cutoffs).cost == pytest.approx(by_hand / present, rel=1e-12)


def test_cost_curve_passes_through_the_chosen_cost(scores: Scores, cutoffs: Cutoffs) -> None:
    cut = judge(combine_views(scores, cutoffs.views).with_role("cut"), cutoffs)
    curve = cost_curve(cut, cutoffs)
    assert cutoffs.u is not None
    assert cutoffs.v is not None
    step = float(curve.cutoffs[1] - curve.cutoffs[0])
    for chosen, costs in ((cutoffs.u, curve.moving_u), (cutoffs.v, curve.moving_v)):
        near = costs[np.abs(curve.cutoffs - chosen) <= step]
        assert near.min() <= cutoffs.expected_cost.chosen + 0.02
        assert costs.min() >= cutoffs.expected_cost.without_limits - 1e-9
    assert curve.moving_u[0] >= cutoffs.expected_cost.chosen  # nothing passes there


def test_trips_left_out_are_judged_by_a_cap_they_did_not_set(cutoffs: Cutoffs) -> None:
    """Against the definition, written out: drop the trip, cap the rest, count."""
    scores = five_class_scores(np.random.default_rng(8), n_trips=6)
    cut = judge(combine_views(scores, cutoffs.views).with_role("cut"), cutoffs)
    lines = {line.trip: line for line in leave_one_trip_out(cut, cutoffs)}
    assert list(lines) == [f"T{i:02d}" for i in range(6)]
    own, trip, score = cut.individuals.label, cut.individuals.trip, cut.scored.to_pass
    for name, line in lines.items():
        caps = [
            miss_cap(score[rest], limit=0.05, delta=cutoffs.delta_miss).cutoff
            for rest in ((own == code) & (trip != name) for code in ("NSH", "BCF"))
        ]
        left = np.isin(own, ["NSH", "BCF"]) & (trip == name)
        assert (line.shown, line.missed) == (int(left.sum()), int((score[left] < min(caps)).sum()))


def test_named_classes_follow_the_highest_probability(scores: Scores, cutoffs: Cutoffs) -> None:
    assessment = assess(scores, cutoffs)
    assert assessment.accuracy is not None
    diagonal, total = np.trace(assessment.confusion), assessment.confusion.sum()
    assert assessment.accuracy == diagonal / total
    assert total == sum(count.shown for count in assessment.counts)


def test_ready_gate_scores_name_no_class() -> None:
    scores = small_scores()
    assessment = assess(scores, small_cutoffs(scores))
    assert assessment.accuracy is None
    assert assessment.confusion.size == 0
    assert (assessment.judged.actions == Action.PASS).sum() == 9
