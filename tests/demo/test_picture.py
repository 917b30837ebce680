"""Pictures: the same shot gives the same pixels, and each condition does to the picture what it should."""

from dataclasses import replace

import numpy as np
import pytest

from passage_cv.demo.picture import render
from passage_cv.demo.shot import HEIGHT, WIDTH, Shot, Subject, View
from passage_cv.demo.species import CODES, Fish, draw_fish


def _fish(code: str, length_mm: float | None = None, seed: int = 1) -> Fish:
    fish = draw_fish(code, np.random.default_rng(seed))
    return fish if length_mm is None else replace(fish, length_mm=length_mm)


def _shot(code: str = "NSH", view: View = "left", length_mm: float | None = 500, **given: object) -> Shot:
    plain = Shot("KBW-1", "day", 10.0, 7, 11, (Subject(_fish(code, length_mm), view),))
    return replace(plain, **given)  # type: ignore[arg-type]


def _fish_part(shot: Shot) -> np.ndarray:
    """Where the picture differs from the same one without fish by more than noise."""
    with_fish, without = (render(one).astype(int) for one in (shot, replace(shot, subjects=())))
    return np.abs(with_fish - without).max(axis=2) > 30


@pytest.mark.parametrize("code", CODES)
def test_every_species_is_drawn_from_three_sides_and_again_the_same(code: str) -> None:
    for view in ("left", "right", "top"):
        shot = _shot(code, view, None)
        picture = render(shot)
        assert picture.shape == (HEIGHT, WIDTH, 3)
        assert picture.dtype == np.uint8
        assert (picture == render(shot)).all()


def test_another_seed_is_another_picture() -> None:
    assert (render(_shot()) != render(_shot(seed=12))).any()


def test_bigger_fish_cover_more_of_the_picture() -> None:
    areas = [_fish_part(_shot("CCF", length_mm=length, seed=3)).sum() for length in (250, 400, 600)]
    assert areas[0] < areas[1] < areas[2]


def test_turbidity_takes_contrast_away() -> None:
    """The fish stands out less and less; above about 50 NTU little is left (handbook 6, "Water")."""
    part = _fish_part(_shot(turbidity_ntu=0.0))
    contrasts = []
    for ntu in (2.0, 20.0, 50.0, 120.0):
        pair = [render(_shot(turbidity_ntu=ntu, subjects=fish)).astype(int) for fish in (_shot().subjects, ())]
        contrasts.append(np.abs(pair[0] - pair[1])[part].mean())
    assert contrasts == sorted(contrasts, reverse=True)
    assert contrasts[2] < 0.6 * contrasts[0]
    assert contrasts[3] < 0.3 * contrasts[0]


def test_infrared_is_grey_and_day_is_not() -> None:
    grey = render(_shot(light="infrared"))
    assert (grey == grey[..., :1]).all()
    assert np.ptp(render(_shot()).astype(int), axis=2).max() > 10


def test_firmware_shifts_colours() -> None:
    before, after = (render(_shot(setup_id=setup)).astype(float).mean(axis=(0, 1)) for setup in ("KBW-1", "KBW-2"))
    assert after[2] / after[0] > before[2] / before[0] + 0.05


def test_failed_lamp_is_dark_and_fouled_lens_is_soft() -> None:
    plain = render(_shot())
    assert render(_shot(lamp_failed=True)).mean() < 0.5 * plain.mean()
    sharpness = [np.abs(np.diff(render(shot).astype(int), axis=1)).mean() for shot in (_shot(), _shot(fouled=1.0))]
    assert sharpness[1] < sharpness[0]


def test_two_fish_and_riders_show() -> None:
    first, second = _shot().subjects[0], Subject(_fish("AMS", 450, 2), "left")
    two = _fish_part(_shot(subjects=(first, second), turbidity_ntu=4.0))
    assert two.sum() > 1.3 * _fish_part(_shot(turbidity_ntu=4.0)).sum()
    assert (render(_shot(attached=True)) != render(_shot())).any()


def test_both_sides_of_a_fish_are_its_own() -> None:
    """Left and right share colours; the blotches differ, as in life."""
    from_left, from_right = (render(_shot(view=view)).astype(float) for view in ("left", "right"))
    part = [_fish_part(_shot(view=view)) for view in ("left", "right")]
    colours = [picture[where].mean(axis=0) for picture, where in zip((from_left, from_right), part, strict=True)]
    assert colours[0] == pytest.approx(colours[1], abs=20)
