"""Reference logits: the cases that must be there, exact ties, and reading back what was written."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import decide
from passage_cv.errors import InputError
from passage_cv.gate.reference import (
    build_logit_cases,
    logits_with_score,
    read_logit_cases,
    write_logit_cases,
)
from passage_cv.policy import Views
from passage_cv.records import Action
from tests.gate_world import CODES, world_cutoffs
from tests.worlds import five_class_policy


@pytest.fixture(scope="module")
def cutoffs() -> Cutoffs:
    return world_cutoffs(five_class_policy())


def two_views(cutoffs: Cutoffs) -> Cutoffs:
    rules = cutoffs.hold_rules.model_copy(update={"views_min": 2})
    return cutoffs.model_copy(update={"views": Views(min=2, max=3), "hold_rules": rules, "rho": 0.3})


@pytest.mark.parametrize("change", ["as it is", "two views", "three decimals", "far out"])
def test_ties_stand_exactly_at_both_cutoffs(cutoffs: Cutoffs, change: str) -> None:
    used = {
        "as it is": cutoffs,
        "two views": two_views(cutoffs),
        "three decimals": cutoffs.model_copy(update={"u": -0.125, "v": 0.001, "eps": 0.0}),
        "far out": cutoffs.model_copy(update={"u": -812.7, "v": 1e-7, "eps": 0.0}),
    }[change]
    for cutoff in (used.gate_u, used.gate_v):
        for score in (np.nextafter(cutoff, np.float32(-np.inf)), cutoff, np.nextafter(cutoff, np.float32(np.inf))):
            made = decide(logits_with_score(used, score), used)
            assert np.float32(made.score) == score
            expected = Action.PASS if score < used.gate_u else Action.REJECT if score > used.gate_v else Action.HOLD
            assert made.action is expected


def test_the_cases_that_must_be_there(cutoffs: Cutoffs) -> None:
    cases = build_logit_cases(cutoffs)
    notes = [case.note for case in cases]
    for name in ("pass", "reject"):
        for place in ("one step below", "exactly at", "one step above"):
            assert any(note == f"{place} the {name} cutoff" for note in notes)
    assert {case.hold_reason for case in cases} == {"", "unknown", "two fish in view", "empty view"}
    assert any(len(case.logits) == 0 for case in cases)
    assert {case.action for case in cases} == {Action.PASS, Action.HOLD, Action.REJECT}


def test_no_fault_passes_or_rejects(cutoffs: Cutoffs) -> None:
    faults = [
        case
        for case in build_logit_cases(cutoffs)
        if case.hold_reason or not np.isfinite(case.logits).all() or len(case.logits) == 0
    ]
    assert len(faults) >= 16
    assert {case.action for case in faults} == {Action.HOLD}


def test_cutoffs_that_allow_nothing_hold_every_case(cutoffs: Cutoffs) -> None:
    nothing = cutoffs.model_copy(update={"u": None, "v": None})
    assert {case.action for case in build_logit_cases(nothing)} == {Action.HOLD}


def test_written_and_read_back_to_the_last_bit(cutoffs: Cutoffs, tmp_path: Path) -> None:
    cases = build_logit_cases(two_views(cutoffs))
    (tmp_path / "logits.csv").write_bytes(write_logit_cases(cases, CODES))
    back = read_logit_cases(tmp_path / "logits.csv", CODES)
    assert len(back) == len(cases)
    for one, other in zip(cases, back, strict=True):
        assert one.logits.shape == other.logits.shape
        assert one.logits.tobytes() == other.logits.tobytes() or np.isnan(one.logits).any()
        assert (one.case, one.hold_reason, one.action, one.reason) == (
            other.case,
            other.hold_reason,
            other.action,
            other.reason,
        )
        assert one.score == other.score or (math.isnan(one.score) and math.isnan(other.score))


def test_another_class_order_is_refused(cutoffs: Cutoffs, tmp_path: Path) -> None:
    (tmp_path / "logits.csv").write_bytes(write_logit_cases(build_logit_cases(cutoffs), CODES))
    with pytest.raises(InputError, match="Headings are"):
        read_logit_cases(tmp_path / "logits.csv", CODES[::-1])


def test_a_cell_that_is_no_number_is_refused(cutoffs: Cutoffs, tmp_path: Path) -> None:
    text = write_logit_cases(build_logit_cases(cutoffs), CODES).decode()
    (tmp_path / "logits.csv").write_text(text.replace("30.0", "thirty", 1), newline="")
    with pytest.raises(InputError, match="could not convert string to float: 'thirty'"):
        read_logit_cases(tmp_path / "logits.csv", CODES)


def test_a_score_out_of_reach_is_refused(cutoffs: Cutoffs) -> None:
    with pytest.raises(InputError, match="No logits reach the score"):
        logits_with_score(cutoffs, np.float32(np.inf))
