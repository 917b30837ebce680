"""Days, instants and intervals, with and without an offset."""

from datetime import datetime

import pytest

from passage_cv.intake.times import minutes_off_event, minutes_outside, on_site_clock, parse_instant, parse_window


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


@pytest.mark.parametrize(
    ("taken", "event", "minutes"),
    [
        ("2031-05-11T20:30:00", "2031-05-11T20:00:00-04:00", 30),  # a camera without offset keeps the site's time
        ("2031-05-12T00:30:00+00:00", "2031-05-11T20:00:00-04:00", 30),
        ("2031-05-12T02:10:00", "2031-05-11", 0),  # the night after a day
        ("2031-05-12T13:00:00", "2031-05-11", 60),
        ("2031-05-10T23:00:00-04:00", "2031-05-11", 60),
        ("2031-05-12T01:00:00", "2031-05-11T20:00:00/2031-05-11T23:00:00", 120),
    ],
)
def test_pictures_off_their_event_on_the_clock_of_the_site(taken: str, event: str, minutes: float) -> None:
    window = parse_window(event)
    at = parse_instant(taken)
    assert window is not None
    assert at is not None
    assert minutes_off_event(at, window) == pytest.approx(minutes, abs=0.01)


@pytest.mark.parametrize(
    ("local", "zone", "found"),
    [
        # Clock changes of 2031 by the rules in force since 2007 (US) and 1996 (EU), from memory of the zone database.
        ("2031-03-09T01:59:00", "America/New_York", "2031-03-09T01:59:00-05:00"),
        ("2031-03-09T02:30:00", "America/New_York", None),  # skipped
        ("2031-03-09T03:00:00", "America/New_York", "2031-03-09T03:00:00-04:00"),
        ("2031-11-02T01:30:00", "America/New_York", None),  # twice
        ("2031-11-02T02:00:00", "America/New_York", "2031-11-02T02:00:00-05:00"),
        ("2031-03-30T02:30:00", "Europe/Paris", None),
    ],
)
def test_hours_that_a_clock_change_makes_doubtful_are_nobodys_to_guess(
    local: str, zone: str, found: str | None
) -> None:
    assert on_site_clock(local, zone) == found
