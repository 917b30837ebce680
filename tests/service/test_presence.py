"""Something, several things, nothing, or unusable; and which frames become a presentation."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from passage_cv.service.forming import GAP, LONGEST_S, TOO_LONG, TRACK_LOST, TWO_FISH, Former, Presentation
from passage_cv.service.frames import Frame
from passage_cv.service.presence import FIRST_FRAMES, NOT_LEARNT, OTHER_SHAPE, EmptyView, View
from tests.service.river import River


def look(empty: EmptyView, data: bytes) -> View:
    return empty.look(Frame("f", data, 0.0, "demo-setup"))


@pytest.fixture
def river() -> River:
    return River()


@pytest.fixture
def learnt(river: River) -> EmptyView:
    empty = EmptyView()
    for data in river.empty(FIRST_FRAMES):
        look(empty, data)
    assert empty.is_learnt
    return empty


def test_nothing_is_known_before_the_empty_view_is_learnt(river: River) -> None:
    empty = EmptyView()
    looks = [look(empty, data) for data in river.empty(FIRST_FRAMES)]
    assert [view.problem for view in looks] == [NOT_LEARNT] * (FIRST_FRAMES - 1) + [""]


def test_water_is_empty_and_a_fish_is_one_thing(river: River, learnt: EmptyView) -> None:
    assert all(look(learnt, data).is_empty for data in river.empty(20))
    for data in river.fish("AMS"):
        view = look(learnt, data)
        assert len(view.areas) == 1
        assert view.areas[0] == pytest.approx(108 * 132 / (120 * 160), abs=0.05)


def test_two_fish_are_two_things(river: River, learnt: EmptyView) -> None:
    assert all(len(look(learnt, data).areas) == 2 for data in river.two())


def test_slow_light_is_followed_and_a_fish_in_it_is_still_seen(river: River, learnt: EmptyView) -> None:
    river_evening = River(1)
    for step in range(120):
        river_evening._water = lambda step=step: river._water() - step // 4  # type: ignore[method-assign]
        assert look(learnt, river_evening.empty()[0]).is_empty
    assert not look(learnt, river_evening.fish("AMS")[0]).is_empty


def test_frames_of_another_shape_are_never_learnt_anew(learnt: EmptyView) -> None:
    for value in range(3 * FIRST_FRAMES):
        tall = cv2.imencode(".png", np.full((160, 160, 3), 80 + value, np.uint8))[1].tobytes()
        assert look(learnt, tall).problem == OTHER_SHAPE


def test_what_cannot_be_decoded_is_not_empty(learnt: EmptyView) -> None:
    view = look(learnt, b"not a picture")
    assert view.problem
    assert not view.is_empty


def test_noise_makes_every_frame_another_and_a_copy_is_the_same(river: River, learnt: EmptyView) -> None:
    one, other = river.empty(2)
    assert look(learnt, one).fingerprint == look(learnt, one).fingerprint != look(learnt, other).fingerprint


def frames(n: int) -> list[Frame]:
    return [Frame(f"{i:03d}", b"", i / 10, "demo-setup") for i in range(n)]


def formed(views: list[View], *, most: int = 3) -> list[Presentation]:
    former = Former(most)
    ended = [former.add(frame, view) for frame, view in zip(frames(len(views)), views, strict=True)]
    return [one for one in [*ended, former.finish()] if one]


FISH, GONE, BAD = View(areas=(0.3,)), View(), View(problem="damaged JPEG")


def test_a_presentation_ends_with_the_gap() -> None:
    (first, second) = formed([FISH, FISH, *[GONE] * GAP, FISH, *[GONE] * GAP])
    assert [frame.name for frame in first.frames] == ["000", "001"]
    assert (first.first_s, first.last_s, first.hold_reason) == (0.0, 0.1, "")
    assert [frame.name for frame in second.frames] == ["004"]


def test_one_lost_frame_does_not_split_a_fish() -> None:
    assert len(formed([FISH, GONE, FISH, *[GONE] * GAP])) == 1


def test_the_largest_views_are_used_in_their_order() -> None:
    views = [View(areas=(area,)) for area in (0.1, 0.4, 0.2, 0.3, 0.05)]
    (one,) = formed(views)
    assert [frame.name for frame in one.frames] == ["001", "002", "003"]


@pytest.mark.parametrize(
    ("views", "reason"),
    [
        ([FISH, View(areas=(0.2, 0.1)), FISH], TWO_FISH),
        ([FISH, BAD, FISH], "damaged JPEG"),
        ([BAD], "damaged JPEG"),
        ([FISH] * round(10 * LONGEST_S + 1), TOO_LONG),
        ([View(areas=(0.3,), box=(0, 0, 50, 40)), View(areas=(0.3,), box=(90, 0, 50, 40))], TRACK_LOST),
    ],
)
def test_what_must_be_held(views: list[View], reason: str) -> None:
    (one,) = formed(views)
    assert one.hold_reason == reason


def test_an_empty_river_presents_nothing() -> None:
    assert formed([GONE] * 50) == []
