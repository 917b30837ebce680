"""The time budget: what is refused, and the edges."""

from __future__ import annotations

import pytest

from passage_cv.config import parse_settings
from passage_cv.errors import InputError
from passage_cv.gate.timing import TimeBudget, check_budget, frames_per_fish, motion_blur, whole_fish_views

BELT = {"distance_m": 1.2, "speed_m_per_s": 0.4, "gate_s": 0.8, "margin_s": 0.25, "control_s": 0.15}


@pytest.mark.parametrize(("p99_ms", "ok"), [(1799.9, True), (1800.1, False)])
def test_the_slowest_of_a_hundred_must_be_in_time(p99_ms: float, *, ok: bool) -> None:
    assert check_budget(TimeBudget(**BELT), p99_ms).ok is ok


def test_no_time_left_is_never_in_time() -> None:
    slide = TimeBudget(**{**BELT, "speed_m_per_s": 2.0})
    assert slide.left_s < 0
    assert not check_budget(slide, 0.0).ok


@pytest.mark.parametrize("key", ["distance_m", "speed_m_per_s"])
@pytest.mark.parametrize("value", [0, -1, float("inf"), float("nan")])
def test_impossible_sites_are_refused(key: str, value: float) -> None:
    with pytest.raises(InputError, match=key):
        parse_settings({**BELT, key: value}, TimeBudget, where="site.toml")


def test_a_fish_longer_than_the_view_is_never_whole() -> None:
    assert whole_fish_views(0.6, 1.2, 0.4, 15) == (0.0, 0)


def test_a_speed_of_zero_is_refused() -> None:
    with pytest.raises(InputError, match="speed_m_per_s is 0"):
        frames_per_fish(0.6, 0, 10)
    with pytest.raises(InputError, match="m_per_pixel is -1"):
        motion_blur(0.5, 0.002, -1)
