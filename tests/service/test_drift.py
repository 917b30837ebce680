"""Charts of the log: quiet while nothing changes, and naming the day and the figure that did."""

from __future__ import annotations

import numpy as np
import pytest

from passage_cv.records import Action
from passage_cv.service.drift import daily, drift_report
from passage_cv.service.log import LogLine
from tests.service.lines import make_line


def a_day(day: int, *, held: int, n: int = 100, score: float = -5.0, odd: int = 10) -> list[LogLine]:
    """A day of a gate: ``held`` of ``n`` held, ``odd`` fish that look like NSH, scores about ``score``."""
    rng = np.random.default_rng(day)
    return [
        make_line(
            1000 * day + i,
            Action.HOLD if i < held else Action.PASS,
            day=day,
            score=score + float(rng.normal(0, 1)),
            logits={"NSH": (2.0 if i < odd else -2.0,), "AMS": (0.0,)},
        )
        for i in range(n)
    ]


def usual_days(n: int) -> list[LogLine]:
    return [line for day in range(1, n + 1) for line in a_day(day, held=9 + day % 3)]


def test_days_are_counted_in_order_of_date() -> None:
    days = daily([*a_day(9, held=3), *a_day(2, held=40), make_line(1, Action.NO_DECISION, day=2, score=None)])
    assert [(day.date, day.n, day.held, day.no_decision) for day in days] == [
        ("2031-05-02", 101, 40, 1),
        ("2031-05-09", 100, 3, 0),
    ]
    assert days[0].top == {"NSH": 10, "AMS": 90}
    assert days[0].mean_turbidity_ntu is None


def test_usual_days_give_no_signal() -> None:
    report = drift_report(usual_days(20), baseline_days=10)
    assert report.baseline == 10
    assert report.signals == ()


@pytest.mark.parametrize(
    ("changed", "chart"),
    [
        ({"held": 35}, "hold rate"),
        ({"held": 10, "odd": 60}, "share seen as NSH"),
        ({"held": 10, "score": -3.0}, "mean score"),
    ],
)
def test_a_changed_day_is_named(changed: dict[str, float], chart: str) -> None:
    report = drift_report([*usual_days(12), *a_day(13, **changed)], baseline_days=10)  # type: ignore[arg-type]
    assert {(signal.date, signal.chart) for signal in report.signals} >= {("2031-05-13", chart)}
    found = next(signal for signal in report.signals if signal.chart == chart)
    assert not found.low <= found.value <= found.upper


def test_the_baseline_itself_gives_no_signal() -> None:
    report = drift_report([*a_day(1, held=90), *(line for day in range(2, 13) for line in a_day(day, held=10))])
    assert "2031-05-01" not in {signal.date for signal in report.signals}


def test_too_few_days_compare_nothing() -> None:
    report = drift_report(usual_days(5))
    assert (report.baseline, report.signals, len(report.days)) == (0, (), 5)
    assert drift_report([]).days == ()


def test_presentations_without_a_score_do_not_break_the_charts() -> None:
    blind = [make_line(90_000 + i, Action.HOLD, day=14, score=None) for i in range(50)]
    report = drift_report([*usual_days(13), *blind], baseline_days=10)
    assert {signal.chart for signal in report.signals} == {"hold rate", "share seen as AMS"}


def test_a_quiet_gate_is_seldom_called_changed() -> None:
    """Simulated: normal daily means, 20 days after a baseline of 5; at most 5 % of gates may signal."""
    rng = np.random.default_rng(11)
    called = 0
    for _ in range(400):
        means = rng.normal(0, 1, 25)
        days = [make_line(day, Action.HOLD, day=day + 1, score=float(score)) for day, score in enumerate(means)]
        called += any(signal.chart == "mean score" for signal in drift_report(days, baseline_days=5).signals)
    assert called <= 400 * 0.05
