"""Model card and data card: every number counted from the scores, what is missing said to be missing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from passage_cv.decision.calibrate import calibrate
from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.cards import data_card, model_card
from passage_cv.scores import Scores
from tests.evaluation.small_world import small_cutoffs, small_scores
from tests.worlds import five_class_policy, five_class_scores


@pytest.fixture(scope="module")
def scores() -> Scores:
    plain = five_class_scores(np.random.default_rng(3))
    _, fish = np.unique(plain.individual, return_inverse=True)
    length = np.random.default_rng(4).uniform(200, 700, fish.max() + 1)[fish]
    meta = {"model_sha256": "a" * 64, "unit": "individual", "backbone": "lite0", "nested": {"not": "shown"}}
    taken = np.where(plain.role == "train", "2031-04-02T10:00:00-04:00", "2031-05-20T10:00:00-04:00").astype(str)
    return replace(
        plain,
        meta=meta,
        text={**plain.text, "taken_at": taken},
        numbers={**plain.numbers, "length_mm": np.where(plain.label == "NSH", length, np.nan)},
    )


def test_individuals_are_counted_per_class_and_role(scores: Scores) -> None:
    card = data_card(scores, calibrate(scores, five_class_policy()))
    assert [one.code for one in card.classes] == ["NSH", "BCF", "SNS", "AMS", "BOW"]  # excluded, protected, others
    for one in card.classes:
        own = scores.label == one.code
        for role in ("train", "cut", "test"):
            assert one.individuals[role] == len(np.unique(scores.individual[own & (scores.role == role)]))
        assert one.images == own.sum()
        assert one.trips == len(np.unique(scores.text["trip"][own]))
    nsh = scores.numbers["length_mm"][scores.label == "NSH"]
    assert card.classes[0].lengths is not None
    assert card.classes[0].lengths[::2] == (nsh.min(), nsh.max())
    assert card.classes[1].lengths is None


def test_facts_say_what_is_there_and_what_is_not(scores: Scores) -> None:
    facts = dict(data_card(scores, calibrate(scores, five_class_policy())).facts)
    assert facts["fish"] == f"1500 individuals in {len(scores)} images"
    assert facts["taken"] == "2031-04-02 to 2031-05-20"
    assert facts["sites"] == "QMR-KBW-01"
    assert facts["light"] == facts["turbidity"] == facts["cameras"] == "not given"
    assert facts["length"].endswith("not given for 1200 fish")
    assert facts["trips"] == "train 30, cut 30, test 30"


def test_the_model_card_tells_all_simple_facts_of_the_scores(scores: Scores) -> None:
    facts = dict(model_card(scores, calibrate(scores, five_class_policy())))
    assert facts["model file"] == "a" * 64
    assert facts["roles drawn by"] == "individual"
    assert facts["backbone"] == "lite0"
    assert "nested" not in facts
    assert facts["answers with"] == "logits"


def test_weak_points_name_the_pair_and_the_gaps() -> None:
    scores = five_class_scores(np.random.default_rng(3), separation=2.5)
    cutoffs = calibrate(scores, five_class_policy())
    found = assess(scores, cutoffs)
    worst = found.confusion - np.diag(np.diag(found.confusion))
    i, j = np.unravel_index(worst.argmax(), worst.shape)
    true, named = cutoffs.classes[i], cutoffs.classes[j]
    assert found.weak[0] == f"{true} was taken for {named} in {worst[i, j]} of {found.confusion[i].sum()} fish."
    assert {true, named} == {"NSH", "BOW"}  # the look-alikes of this world


def test_gaps_are_named() -> None:
    scores = small_scores()
    cutoffs = small_cutoffs(scores)
    loose = cutoffs.model_copy(update={"limits": tuple(one for one in cutoffs.limits if one.class_ != "BCF")})
    lines = assess(scores, loose).weak
    assert "Excluded without a miss limit: BCF." in lines
    assert "Not met among the fish judged: BOW." in lines
