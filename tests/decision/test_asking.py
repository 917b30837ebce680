"""Costs by asking: the sheet, the answers with names and dates, contradictions, and whether the cutoffs care."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from passage_cv.config import configs_folder
from passage_cv.decision.asking import (
    Answer,
    CostRange,
    CostSheet,
    Question,
    contradictions,
    cost_ranges,
    draft_sheet,
    read_sheet,
)
from passage_cv.decision.cost_range import CostMoves, move_costs
from passage_cv.decision.outcome import weigh
from passage_cv.decision.sweep import trial_of
from passage_cv.errors import InputError
from passage_cv.policy import Policy, read_policy
from tests.worlds import five_class_policy, five_class_scores

DAY = date(2031, 4, 2)


@pytest.fixture(scope="module")
def policy() -> Policy:
    return read_policy(configs_folder() / "policy" / "quillmarsh.toml")


def answer(low: float, likely: float, high: float, by: str = "RKV") -> Answer:
    return Answer(by=by, on=DAY, low=low, likely=likely, high=high)


def question(about: str, *answers: Answer, kind: str = "error", against: str = "") -> Question:
    return Question.model_validate(
        {"about": about, "kind": kind, "against": against, "text": "How many?", "answers": answers}
    )


def test_the_draft_asks_about_every_class(policy: Policy) -> None:
    sheet = CostSheet.model_validate(tomllib.loads(draft_sheet(policy)))
    assert sheet.site == policy.site
    assert [one.about for one in sheet.questions if one.kind == "error"] == list(policy.codes)
    checks = [one for one in sheet.questions if one.kind == "against"]
    assert {one.about for one in checks} == {rule.code for rule in policy.in_group("exclude")}
    assert {one.against for one in checks} == {"AMS"}  # the wanted class with the largest expected share
    assert all(one.answers == () for one in sheet.questions)


def test_a_name_with_quotes_stays_readable() -> None:
    rules = [rule.model_dump(exclude_none=True) for rule in five_class_policy().classes]
    rules[0]["scientific_name"] = 'Channa "argus" \\ x'
    sheet = CostSheet.model_validate(tomllib.loads(draft_sheet(five_class_policy(classes=rules))))
    assert 'Channa "argus" \\ x (NSH)' in sheet.questions[0].text


def test_a_filled_draft_reads_back_with_names_and_dates(policy: Policy, tmp_path: Path) -> None:
    path = tmp_path / "costs.toml"
    block = '\n[[questions.answers]]\nby = "RKV"\non = 2031-04-02\nlow = 5\nlikely = 20\nhigh = 50\n'
    path.write_text(draft_sheet(policy) + block, encoding="utf-8")  # below the last question
    sheet = read_sheet(path, policy)
    assert sheet.questions[-1].answers == (answer(5, 20, 50),)
    assert cost_ranges(sheet)[0].people == ("RKV 2031-04-02",)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"about": "NHS"}, "is about 'NHS'"),
        ({"answers": ()}, "No question has an answer"),
        ({"kind": "errors"}, "kind"),
    ],
)
def test_wrong_sheets_are_refused(policy: Policy, tmp_path: Path, change: Mapping[str, object], message: str) -> None:
    values = {"about": "NSH", "kind": "error", **change}
    lines = [f'{key} = "{value}"' for key, value in values.items() if key != "answers"]
    answers = [] if "answers" in change else ["[[questions.answers]]", 'by = "RKV"', "on = 2031-04-02"]
    numbers = [] if "answers" in change else ["low = 1", "likely = 2", "high = 3"]
    text = ["format = 1", 'site = "x"', "[[questions]]", *lines, 'text = "How many?"', *answers, *numbers]
    (tmp_path / "costs.toml").write_text("\n".join(text), encoding="utf-8")
    with pytest.raises(InputError, match=message):
        read_sheet(tmp_path / "costs.toml", policy)


def test_an_answer_out_of_order_is_refused() -> None:
    with pytest.raises(ValueError, match="RKV: low 5, likely 3, high 9 are not in order"):
        answer(5, 3, 9)


def test_the_whole_span_is_kept_and_the_middle_is_a_median() -> None:
    sheet = CostSheet(
        format=1,
        site="x",
        questions=(question("NSH", answer(10, 20, 80), answer(20, 50, 100, "TBO"), answer(1, 2, 3)),),
    )
    (found,) = cost_ranges(sheet)
    assert (found.low, found.high) == (1, 100)
    assert found.likely == pytest.approx(20)  # the median of 2, 20, 50, not their mean
    assert found.people == ("RKV 2031-04-02", "TBO 2031-04-02", "RKV 2031-04-02")


def spans(direct: tuple[float, float]) -> tuple[CostRange, ...]:
    sheet = CostSheet(
        format=1,
        site="x",
        questions=(
            question("NSH", answer(10, 20, 40)),
            question("AMS", answer(2, 4, 5)),
            question("NSH", answer(direct[0], direct[0], direct[1], "TBO"), kind="against", against="AMS"),
        ),
    )
    return cost_ranges(sheet)


def test_answers_that_cannot_be_squared_are_named() -> None:
    """From 10 to 40 held fish against 2 to 5: one NSH is 2 to 20 AMS."""
    assert contradictions(spans((2, 20))) == ()
    assert contradictions(spans((19, 90))) == ()
    (line,) = contradictions(spans((21, 90)))
    assert "asked directly 21 to 90" in line
    assert "from the separate answers 2 to 20" in line
    assert "TBO 2031-04-02" in line
    assert len(contradictions(spans((0.1, 1.9)))) == 1


def cost(about: str, low: float, likely: float, high: float, kind: str = "error") -> CostRange:
    return CostRange.model_validate(
        {"about": about, "kind": kind, "against": "", "low": low, "likely": likely, "high": high, "people": ("RKV",)}
    )


@pytest.fixture(scope="module")
def moves() -> CostMoves:
    trial, demands = trial_of(five_class_scores(np.random.default_rng(12), separation=2.5), five_class_policy())
    return move_costs(trial, demands, [cost("AMS", 5, 5, 5), cost("BOW", 0.5, 5, 50), cost("SNS", 1, 1, 4, "hold")])


def test_a_range_without_width_moves_nothing(moves: CostMoves) -> None:
    assert moves.ends[0].moved == (0.0, 0.0)


def test_a_wide_range_moves_fish(moves: CostMoves) -> None:
    assert max(moves.ends[1].moved) > 0.01
    assert moves.ends[1].held[0] != moves.ends[1].held[1]
    assert len(moves.together) == 100
    assert max(moves.together) > 0.01
    assert all(0 <= moved <= 1 for moved in moves.together)


def test_the_middle_is_the_outcome_at_the_likely_costs(moves: CostMoves) -> None:
    trial, demands = trial_of(five_class_scores(np.random.default_rng(12), separation=2.5), five_class_policy())
    assert weigh(trial.individuals, trial.calibration, demands).choice == moves.outcome.choice


def test_held_fish_are_counted_in_the_policys_unit() -> None:
    """A policy in dollars, 8 a held fish: ten held fish are 80."""
    scores = five_class_scores(np.random.default_rng(12), separation=2.5)
    rules = [rule.model_dump(exclude_none=True) for rule in five_class_policy().classes]
    dear = [{**rule, **{key: 8 * rule[key] for key in ("pass_cost", "reject_cost") if key in rule}} for rule in rules]
    trial, demands = trial_of(scores, five_class_policy())
    dear_trial, dear_demands = trial_of(scores, five_class_policy(classes=dear, hold_cost=8.0))
    ranges = [cost("BOW", 0.5, 5, 50)]
    plain, priced = move_costs(trial, demands, ranges), move_costs(dear_trial, dear_demands, ranges, unit=8.0)
    assert priced.ends[0].low == 4.0
    assert priced.ends[0].moved == pytest.approx(plain.ends[0].moved, abs=1e-9)


def test_a_limit_that_binds_is_named(moves: CostMoves) -> None:
    bound = {
        "pass cutoff": moves.outcome.choice.u == moves.outcome.u_cap,
        "reject cutoff": moves.outcome.choice.v == moves.outcome.v_floor,
    }
    assert moves.bound == tuple(name for name, is_bound in bound.items() if is_bound)
    free = [rule.model_dump(exclude_none=True, exclude={"miss_limit"}) for rule in five_class_policy().classes]
    trial, demands = trial_of(five_class_scores(np.random.default_rng(12)), five_class_policy(classes=free))
    assert "pass cutoff" not in move_costs(trial, demands, [cost("AMS", 1, 5, 9)]).bound
