"""A slice of the season: who comes when, the events, and the truth kept apart."""

import csv
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from passage_cv.demo.season import WEEKS
from passage_cv.demo.sites import SETUPS, SITES
from passage_cv.demo.species import INVADERS
from passage_cv.demo.traffic import COLUMNS, TAG, TAGGED, draw_presentations


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_week_comes_as_often_as_in_the_season() -> None:
    shown = draw_presentations(300, np.random.default_rng(1))
    per_week = Counter(one.week for one in shown)
    total = sum(week.total for week in WEEKS)
    for number, week in enumerate(WEEKS):
        assert per_week[number] == pytest.approx(300 * week.total / total, abs=3.5)


def test_species_come_as_often_as_in_the_season_and_invaders_always() -> None:
    shown = draw_presentations(600, np.random.default_rng(2))
    seen = Counter(one.fish[0].code for one in shown if one.fish and one.note in {"", "eel night"})
    season = Counter()
    for week in WEEKS:
        season.update(week.counts)
    for code in ("AMS", "WPE", "GZS", "EEL", "WSK"):
        # a systematic sample misses by less than one a week; the events take some 15 presentations away
        assert seen[code] == pytest.approx(600 * season[code] / 8931, abs=16)
    for code in INVADERS:
        assert any(code in one.label for one in draw_presentations(60, np.random.default_rng(3)))


def test_the_seasons_events_happen() -> None:
    shown = draw_presentations(300, np.random.default_rng(4))
    notes = Counter(one.note for one in shown)
    assert notes["double feed"] == 1
    assert notes["empty view"] == 1
    assert notes["eel night"] >= 2
    assert notes["fouled lens"] >= 1
    assert notes["lamp failure"] == 2
    tagged = [one for one in shown if one.individual == TAG]
    assert [one.note for one in tagged] == ["tagged, time 1", "tagged, time 2", "tagged, time 3"]
    assert len({one.fish for one in tagged}) == 1
    assert [one.time for one in shown] == sorted(one.time for one in shown)
    flood = [one.turbidity_ntu for one in shown if one.week == 6]
    assert np.median(flood) == pytest.approx(90, rel=0.1)  # handbook 9: flood pulse in the week of 05-11


def test_the_flood_pulse_comes_in_its_week() -> None:
    # handbook 9: 90 NTU in the week of 05-11, at most 60 in any other; each day scatters by some 10 %
    shown = draw_presentations(300, np.random.default_rng(6))
    pulse = [one.turbidity_ntu for one in shown if WEEKS[one.week].starts == "05-11"]
    others = [one.turbidity_ntu for one in shown if WEEKS[one.week].starts != "05-11"]
    assert np.mean(pulse) == pytest.approx(90, rel=0.1)
    assert max(others) < 90


def test_tagged_fish_come_again_as_the_same_animal() -> None:
    shown = draw_presentations(300, np.random.default_rng(7))
    for tag, (code, times) in TAGGED.items():
        own = [one for one in shown if one.individual == tag]
        assert len(own) == times
        assert {one.fish for one in own} == {own[0].fish}
        assert own[0].label == code
        assert [one.time for one in own] == sorted(one.time for one in own)


def test_on_the_eel_night_nothing_but_eels_comes() -> None:
    shown = draw_presentations(300, np.random.default_rng(5))
    eels = [one.time for one in shown if one.note == "eel night"]
    between = [one for one in shown if min(eels) <= one.time <= max(eels)]
    assert {one.label for one in between} == {"EEL"}


def test_files_fit_together_and_the_gate_is_not_told(traffic: Path) -> None:
    rows, truth = _rows(traffic / "presentations.csv"), _rows(traffic / "truth.csv")
    assert tuple(rows[0]) == COLUMNS
    assert [row["presentation_id"] for row in rows] == [row["presentation_id"] for row in truth]
    images = [name for row in rows for name in row["images"].split(";")]
    assert sorted(images) == sorted(str(path.relative_to(traffic)) for path in traffic.rglob("*.jpg"))
    for row in rows:
        assert row["setup_id"] in SETUPS
        assert row["site"] == SITES[0].location_id
        assert len(row["camera"].split(";")) == len(row["images"].split(";"))
    told = (traffic / "presentations.csv").read_text(encoding="utf-8")
    assert not any(code in told for code in ("NSH", "BCF", "ASE", "999000"))


def test_the_gates_set_up_was_imaged_before() -> None:
    assert SITES[0].setups[2031] in {SITES[0].setups[2029], SITES[0].setups[2030]}
