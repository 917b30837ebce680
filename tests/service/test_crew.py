"""A shadow run beside the crew: fish are matched once, the serious difference comes first, a bad row is named."""

from __future__ import annotations

from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.records import Action
from passage_cv.service.crew import CrewLine, compare_with_crew, read_crew
from tests.service.lines import make_line

GROUPS = {"NSH": "exclude", "AMS": "pass"}


def crew(number: int, action: Action, label: str = "", *, time: str = "") -> CrewLine:
    return CrewLine(number + 1, "" if time else f"P{number:05d}", time, action, label)


def test_both_actions_stand_side_by_side_and_the_serious_comes_first() -> None:
    lines = [
        make_line(n, action) for n, action in enumerate([Action.PASS, Action.PASS, Action.HOLD, Action.REJECT], 1)
    ]
    said = [
        crew(1, Action.PASS, "AMS"),
        crew(2, Action.REJECT, "NSH"),
        crew(3, Action.PASS, "AMS"),
        crew(4, Action.REJECT, "NSH"),
        crew(9, Action.HOLD),
    ]
    report = compare_with_crew(lines, said, GROUPS)  # type: ignore[arg-type]
    assert (report.n, report.agreed, report.only_crew, report.only_gate) == (4, 2, (10,), 0)
    assert report.counts[Action.PASS] == {Action.PASS: 1, Action.HOLD: 0, Action.REJECT: 1}
    assert [(one.presentation_id, one.serious) for one in report.differences] == [("P00002", True), ("P00003", False)]


def test_agreement_beyond_chance_is_that_of_the_table() -> None:
    """CV-082: 20 5 / 10 15 gives kappa 0.40 (open encyclopedia article Cohen kappa)."""
    table = {
        (Action.PASS, Action.PASS): 20,
        (Action.PASS, Action.HOLD): 5,
        (Action.HOLD, Action.PASS): 10,
        (Action.HOLD, Action.HOLD): 15,
    }
    pairs = [pair for pair, n in table.items() for _ in range(n)]
    lines = [make_line(n, gate) for n, (gate, _) in enumerate(pairs)]
    report = compare_with_crew(lines, [crew(n, by) for n, (_, by) in enumerate(pairs)], GROUPS)  # type: ignore[arg-type]
    assert report.kappa is not None
    assert report.kappa.value == pytest.approx(0.40, abs=0.005)


def test_times_are_matched_to_the_nearest_and_only_once() -> None:
    lines = [make_line(n, Action.PASS) for n in (1, 2)]
    lines[1] = make_line(2, Action.PASS, day=5)
    said = [
        crew(1, Action.PASS, time="2031-05-04T14:00:06+00:00"),
        crew(2, Action.HOLD, time="2031-05-04T10:00:03-04:00"),
    ]
    report = compare_with_crew(lines, said, GROUPS)  # type: ignore[arg-type]
    assert (report.n, report.only_gate, report.only_crew) == (1, 1, (3,))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("presentation_id,action\nP1,release\n", "Action is 'release', needed pass, hold, reject .*row 2"),
        ("time,action\n10:15,pass\n", "its time is '10:15'"),
        ("time,action\n2031-05-04T10:00:00,pass\n", "its time is"),
    ],
)
def test_a_row_that_cannot_be_read_is_named(tmp_path: Path, text: str, found: str) -> None:
    (tmp_path / "crew.csv").write_text(text)
    with pytest.raises(InputError, match=found):
        read_crew(tmp_path / "crew.csv")
