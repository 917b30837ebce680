"""A camera whose clock is off against the lines: doubted with evidence, shifted by a person, never silently."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from passage_cv.errors import InputError
from passage_cv.intake.clock_offsets import offset_text, parse_offset
from passage_cv.intake.pairing_doubts import answer_doubt, doubts_of, open_doubts, require_answered
from passage_cv.intake.pairing_edits import set_clock_offset
from passage_cv.intake.pairing_file import read_pairing, write_pairing
from passage_cv.intake.pairing_proposal import propose_match
from passage_cv.intake.timeline import PairLine, Shot, Timeline

START = datetime.fromisoformat("2031-05-11T20:00:00-04:00")
N_FISH = 14
HOUR = 3600.0


def moments(seed: int, n: int = N_FISH) -> list[datetime]:
    """When each fish was in hand: two to nine minutes apart."""
    gaps = np.random.default_rng(seed).uniform(120, 540, n).cumsum()
    return [START + timedelta(seconds=float(round(one))) for one in gaps]


def lines(times: list[datetime]) -> list[PairLine]:
    return [
        PairLine(i + 2, f"E1/{i + 1}", "E1", str(i + 1), "bowfin", one.isoformat(), is_own_time=True)
        for i, one in enumerate(times)
    ]


def shots(times: list[datetime], behind: float = 0.0, *, camera: str = "A", drift: float = 0.0) -> list[Shot]:
    """Two pictures of each fish by a camera that is so many seconds behind, and more with every hour."""
    made = []
    for i, one in enumerate(times):
        for n in range(2):
            late = behind + drift * (one - START).total_seconds() / HOUR
            taken = one + timedelta(seconds=15 + 8 * n - late)
            made.append(Shot(f"{camera}_{i}_{n}.jpg", taken.replace(tzinfo=None).isoformat(), camera))
    return made


def is_right(timeline: Timeline) -> bool:
    """Whether every fish has the two pictures made of it."""
    return (
        all(
            one.row is not None and {name.split("_")[1] for name in one.images} == {str(one.row - 2)}
            for one in timeline.series
        )
        and not timeline.empty_rows
    )


@pytest.mark.parametrize("behind", [HOUR, 58 * 60.0, -7 * HOUR, 5 * HOUR, -30 * 60.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_clock_that_is_off_is_doubted_and_one_press_mends_it(behind: float, seed: int) -> None:
    timeline = propose_match(lines(moments(seed)), shots(moments(seed), behind), {})
    (doubt,) = [one for one in doubts_of(timeline) if one.seconds is not None]
    assert doubt.camera == "A"
    assert doubt.seconds is not None
    assert doubt.seconds == pytest.approx(behind, abs=60)
    assert f"of {N_FISH} lines have pictures within" in doubt.said
    assert max(one.sure for one in timeline.series) <= 0.5
    assert timeline.clocks == {}  # nothing is shifted silently
    mended = set_clock_offset(timeline, doubt.camera, doubt.seconds, why=doubt.said, who="RKV")
    assert is_right(mended)
    assert not doubts_of(mended)


@pytest.mark.parametrize("seed", range(30))
def test_a_clock_that_goes_right_is_not_doubted(seed: int) -> None:
    slow = float(np.random.default_rng(seed).uniform(-60, 60))
    timeline = propose_match(lines(moments(seed)), shots(moments(seed), slow), {})
    assert doubts_of(timeline) == ()


def test_a_clock_that_drifts_is_doubted_too() -> None:
    timeline = propose_match(lines(moments(4)), shots(moments(4), HOUR, drift=40.0), {})
    assert [one.camera for one in doubts_of(timeline) if one.seconds is not None] == ["A"]


def test_of_two_cameras_the_one_that_is_off_is_named() -> None:
    times = moments(5)
    timeline = propose_match(lines(times), [*shots(times), *shots(times, HOUR, camera="B")], {})
    assert {one.camera for one in doubts_of(timeline) if one.camera} == {"B"}
    mended = set_clock_offset(timeline, "B", HOUR, why="the phone was on winter time")
    assert is_right(mended)


def test_a_doubt_is_answered_before_anything_is_confirmed(tmp_path: Path) -> None:
    timeline = propose_match(lines(moments(1)), shots(moments(1), HOUR), {})
    with pytest.raises(InputError, match="The pairing is in doubt: The clock of A may be 1:00 behind the sheet"):
        require_answered(timeline, do="Answer.")
    for doubt in open_doubts(timeline):
        timeline = answer_doubt(timeline, doubt.said, "the crew wrote times afterwards", who="RKV")
    require_answered(timeline, do="Answer.")
    write_pairing(timeline, tmp_path / "pairing.toml", who="RKV")
    kept = read_pairing(tmp_path)
    assert kept
    assert {(one.answer, one.who) for one in kept.doubt} == {("the crew wrote times afterwards", "RKV")}
    with pytest.raises(InputError, match="no such doubt"):
        answer_doubt(timeline, "something else", "because")


def test_the_reason_of_an_offset_is_kept_with_who_gave_it(tmp_path: Path) -> None:
    timeline = propose_match(lines(moments(1)), shots(moments(1), HOUR), {})
    shifted = set_clock_offset(timeline, "A", HOUR, why="never set to summer time", who="ELQ")
    write_pairing(shifted, tmp_path / "pairing.toml", who="RKV")
    kept = read_pairing(tmp_path)
    assert kept
    assert kept.clocks == {"A": HOUR}
    assert [(one.camera, one.why, one.who) for one in kept.clock_stated] == [("A", "never set to summer time", "ELQ")]


@pytest.mark.parametrize(("text", "seconds"), [("+1:00", 3600), ("-0:58:30", -3510), ("7:00", 25200)])
def test_offsets_are_written_as_they_are_read(text: str, seconds: float) -> None:
    assert parse_offset(text) == seconds
    assert parse_offset(offset_text(seconds)) == seconds


@pytest.mark.parametrize("text", ["", "1", "1:75", "an hour", "1:00:00:00"])
def test_other_words_are_no_offset(text: str) -> None:
    with pytest.raises(InputError, match="is no offset"):
        parse_offset(text)


def test_an_offset_of_more_than_a_year_is_refused() -> None:
    timeline = propose_match(lines(moments(1)), shots(moments(1)), {})
    with pytest.raises(InputError, match="over a year"):
        set_clock_offset(timeline, "A", 400 * 86400.0)
