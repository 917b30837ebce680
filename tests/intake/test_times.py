"""Days, instants and intervals, with and without an offset."""

from datetime import datetime

import pytest

from passage_cv.intake.times import minutes_outside, parse_instant, parse_window


@pytest.mark.parametrize(
    ("text", "hours", "is_exact"),
    [
        ("2031-05-11", 24, False),
        ("2031-05-11/2031-05-12", 48, False),
        ("2031-05-11T20:00:00-04:00", 0, True),
        ("2031-05-11T20:00-04:00/2031-05-12T02:30-04:00", 6.5, True),
        ("2031-03-30T00:30:00+01:00/2031-03-30T04:30:00+02:00", 3, True),  # over a clock change
        ("2031-05-11T20:00:00", 0, False),
    ],
)
def test_windows(text: str, hours: float, *, is_exact: bool) -> None:
    window = parse_window(text)
    assert window is not None
    assert window.is_exact is is_exact
    assert (window.end - window.start).total_seconds() / 3600 == pytest.approx(hours, abs=1e-6)


@pytest.mark.parametrize(
    "text",
    ["", "11.05.2031", "2031-13-01", "2031-05-12/2031-05-11", "2031-05-11T20:00:00-04:00/2031-05-12", "spring"],
)
def test_what_is_no_window(text: str) -> None:
    assert parse_window(text) is None


@pytest.mark.parametrize(
    ("taken", "minutes"),
    [
        ("2031-05-11T23:00:00-04:00", 0),
        ("2031-05-12T00:30:00+00:00", 0),  # 20:30 on site
        ("2031-05-11T19:30:00-04:00", 30),
        ("2031-05-12T03:00:00-04:00", 60),
        ("2031-05-11T23:00:00", None),
    ],
)
def test_minutes_outside_a_window(taken: str, minutes: float | None) -> None:
    window = parse_window("2031-05-11T20:00:00-04:00/2031-05-12T02:00:00-04:00")
    at = parse_instant(taken)
    assert isinstance(at, datetime)
    assert window is not None
    assert minutes_outside(at, window) == minutes
