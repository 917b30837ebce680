"""Charts of the log: quiet while nothing changes, and naming the day and the figure that did."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, kstest

from passage_cv.records import Action
from passage_cv.service.drift import daily, drift_report, standardised
from passage_cv.service.figures import draw_charts
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


def test_a_quiet_gate_is_seldom_called_creeping() -> None:
    """As above for the sums: a run length of 465 days (CV-095) is 4.2 % of gates within 20 days."""
    rng = np.random.default_rng(12)
    called = 0
    for _ in range(300):
        days = [
            make_line(day, Action.HOLD, day=day + 1, score=float(x)) for day, x in enumerate(rng.normal(0, 1, 25))
        ]
        called += any(one.chart == "mean score, summed" for one in drift_report(days, baseline_days=5).signals)
    assert called <= binom.ppf(1 - 1e-6, 300, 1 - (1 - 1 / 465) ** 20)


def test_what_creeps_is_found() -> None:
    rng = np.random.default_rng(13)
    steps = np.concatenate([rng.normal(0, 1, 12), rng.normal(2.0, 1, 16)])
    sharp = {f"P{day:05d}": 50.0 + float(step) for day, step in enumerate(steps)}
    days = [make_line(day, Action.HOLD, day=day + 1, score=None) for day in range(len(steps))]
    report = drift_report(days, sharpness=sharp, baseline_days=12)
    found = [one.date for one in report.signals if one.chart == "mean sharpness, summed"]
    assert found
    assert found[0] > "2031-05-12"


def test_standardised_values_are_standard_normal_while_nothing_changes() -> None:
    rng = np.random.default_rng(14)
    found = np.array([standardised(rng.normal(7, 3, 6)) for _ in range(1500)])
    assert kstest(found[:, 0], "norm").pvalue > 1e-3
    assert kstest(found[:, 3], "norm").pvalue > 1e-3
    assert abs(np.corrcoef(found.T)[0, 3]) < 4 / np.sqrt(1500)


def test_unfamiliarity_is_charted() -> None:
    lines = [make_line(day, Action.HOLD, day=day, score=None, unfamiliarity=float(day % 2)) for day in range(1, 13)]
    lines.append(make_line(99, Action.HOLD, day=13, score=None, unfamiliarity=60.0))
    assert "mean unfamiliarity" in {one.chart for one in drift_report(lines, baseline_days=12).signals}


def test_the_charts_are_one_drawing_with_a_panel_each_and_the_same_again() -> None:
    report = drift_report([*usual_days(12), *a_day(13, held=35)], baseline_days=10)
    drawn = draw_charts(report)
    assert drawn == draw_charts(report)
    panels = sum(f"<!-- {name} -->".encode() in drawn for name in ("hold rate", "share seen as NSH", "mean score"))
    assert panels == 3
