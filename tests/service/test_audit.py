"""Audits: a blind draw, only drawn fish count, alarms that may be read daily, and what an alarm does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom

from passage_cv.gate.site import Audit
from passage_cv.records import Action
from passage_cv.service.audit import AuditReport, audit_report, is_drawn, what_alarms_stop
from passage_cv.stats.sequential import anytime_interval
from tests.service.lines import make_line
from tests.worlds import five_class_policy

POLICY = five_class_policy()


def report_of(code: str, actions: list[Action], *, drawn: bool = True, delta: float = 0.05) -> AuditReport:
    lines = [make_line(n, action, audit=drawn) for n, action in enumerate(actions)]
    return audit_report(lines, {line.presentation_id: code for line in lines}, POLICY, delta=delta)


def actions(wrong: Action, n_wrong: int, n: int) -> list[Action]:
    return [wrong] * n_wrong + [Action.HOLD] * (n - n_wrong)


def test_the_draw_has_its_share_and_is_the_same_again() -> None:
    audit = Audit(share=0.1, seed=7)
    names = [f"P{n:06d}" for n in range(20_000)]
    drawn = [is_drawn(name, audit) for name in names]
    low, upper = binom.ppf([1e-6, 1 - 1e-6], len(names), 0.1)
    assert low <= sum(drawn) <= upper
    assert drawn == [is_drawn(name, audit) for name in names]
    assert drawn != [is_drawn(name, Audit(share=0.1, seed=8)) for name in names]


@pytest.mark.parametrize(("share", "expected"), [(0.0, False), (1.0, True)])
def test_none_and_all(share: float, *, expected: bool) -> None:
    assert {is_drawn(f"P{n}", Audit(share=share)) for n in range(1000)} == {expected}


def test_misses_are_excluded_fish_that_passed() -> None:
    report = report_of("NSH", actions(Action.PASS, 2, 60))
    found = {one.code: (one.kind, one.n, one.errors) for one in report.classes}
    assert found["NSH"] == ("miss", 60, 2)
    assert found["AMS"] == ("false rejection", 0, 0)


def test_false_rejections_are_wanted_fish_that_were_rejected() -> None:
    report = report_of("SNS", [*actions(Action.REJECT, 3, 50), Action.PASS])
    assert next((one.n, one.errors) for one in report.classes if one.code == "SNS") == (51, 3)


def test_only_drawn_presentations_count() -> None:
    report = report_of("NSH", actions(Action.PASS, 60, 60), drawn=False)
    assert (report.drawn, report.looked_at, report.outside_the_draw) == (0, 0, 60)
    assert not report.alarms


def test_what_was_drawn_and_not_looked_at_is_said() -> None:
    lines = [make_line(n, Action.HOLD, audit=True) for n in range(10)]
    report = audit_report(lines, {"P00003": "NSH"}, POLICY)
    assert (report.drawn, report.looked_at) == (10, 1)


def test_the_interval_is_the_anytime_one_at_the_class_share_of_delta() -> None:
    report = report_of("NSH", actions(Action.PASS, 1, 200), delta=0.15)  # three classes have a limit
    one = report.classes[0]
    assert one.delta == pytest.approx(0.05)
    # decision-method section 13, example 13: x = 1, t = 200 at delta 0.05
    assert (one.low, one.upper) == pytest.approx((5.00112791e-06, 0.0446936541), abs=5e-11)
    assert anytime_interval(1, 200, delta=0.05) == (one.low, one.upper)


def test_a_clear_excess_raises_the_alarm_and_closes_the_pass() -> None:
    report = report_of("NSH", actions(Action.PASS, 20, 100))
    assert [one.code for one in report.alarms] == ["NSH"]
    assert what_alarms_stop(report) == (-math.inf, None)


def test_an_excess_of_rejections_closes_the_reject() -> None:
    assert what_alarms_stop(report_of("SNS", actions(Action.REJECT, 20, 100))) == (None, math.inf)


def test_no_alarm_changes_nothing() -> None:
    assert what_alarms_stop(report_of("NSH", actions(Action.PASS, 1, 100))) == (None, None)


def test_a_class_without_a_limit_has_an_interval_and_no_alarm() -> None:
    one = next(one for one in report_of("AMS", actions(Action.REJECT, 50, 50)).classes if one.code == "AMS")
    assert (one.limit, one.alarm) == (None, False)
    assert one.low > 0.8


def first_alarms(rate: float, *, seed: int, runs: int, days: int, per_day: int, delta: float) -> int:
    """How many of the runs ever raise an alarm when it is read every day; NSH alone, at its limit of 5 %."""
    rng = np.random.default_rng(seed)
    ever = 0
    for _ in range(runs):
        misses = np.cumsum(rng.binomial(per_day, rate, days))
        ever += any(
            report_of("NSH", actions(Action.PASS, int(x), per_day * (day + 1)), delta=delta).alarms
            for day, x in enumerate(misses)
        )
    return ever


def test_read_daily_the_alarm_is_false_no_more_often_than_promised_and_finds_a_bad_gate() -> None:
    at_limit = {"runs": 30, "days": 20, "per_day": 10, "delta": 0.6}  # 0.2 for NSH: three classes share it
    false_alarms = first_alarms(0.05, seed=1, **at_limit)  # type: ignore[arg-type]
    assert false_alarms <= binom.ppf(1 - 1e-6, 30, 0.2)
    assert first_alarms(0.25, seed=2, **at_limit) >= 27  # type: ignore[arg-type]
