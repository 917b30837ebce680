"""Pictures are varied as the camera's work varies them, and never in what tells look-alikes apart."""

from collections.abc import Callable

import albumentations
import cv2
import numpy as np
import pytest

from passage_cv.config import configs_folder, read_settings
from passage_cv.intake.images import decode_picture, encode_working
from passage_cv.recognition.augment import Augmentation, FromLibrary, draw_gallery, effects_of
from passage_cv.recognition.crop import CropSettings, Rgb, crop_image
from passage_cv.recognition.tuned_settings import AugmentSettings, TunedSettings

SHIPPED = read_settings(configs_folder() / "train" / "tuned.toml", TunedSettings).augment
CROP = CropSettings(size=96)
OFF: dict[str, object] = {
    **dict.fromkeys(effects_of(SHIPPED), 0.0),
    "geometry": 0.0,
    "mirrored": False,
}
ELONGATION = 2.0


def only(**on: object) -> AugmentSettings:
    """The shipped settings with everything off but this."""
    return SHIPPED.model_copy(update={**OFF, **on})


def fish() -> Rgb:
    """A dark ellipse twice as long as it is deep, on a light ground, with a texture."""
    rgb = np.full((300, 300, 3), (90, 160, 150), np.uint8)
    cv2.ellipse(rgb, (150, 150), (80, 40), 0, 0, 360, (60, 50, 40), -1, cv2.LINE_AA)
    return rgb


def elongation(square: Rgb) -> float:
    """Length by depth of the dark body, from the second moments of its pixels."""
    rows, columns = np.nonzero(square[:, :, 1] < 100)
    axes = np.linalg.eigvalsh(np.cov(np.stack([rows, columns]).astype(np.float64)))
    return float(np.sqrt(axes[1] / axes[0]))


def largest_change_of_shape(vary: Callable[[int], Rgb]) -> float:
    """Over thirty draws, relative to the fish as it is."""
    return max(abs(elongation(vary(seed)) / ELONGATION - 1) for seed in range(30))


def test_geometry_never_squeezes_a_body() -> None:
    augmentation = Augmentation(only(geometry=1.0), CROP)
    assert largest_change_of_shape(lambda seed: augmentation.vary(fish(), seed)) < 0.05


def test_the_shape_test_would_catch_a_squeeze() -> None:
    squeeze = FromLibrary(albumentations.Affine(scale={"x": (0.8, 1.1), "y": (0.8, 1.1)}, fill=128, p=1))
    square = crop_image(fish(), CROP)
    assert largest_change_of_shape(lambda seed: squeeze(square, np.random.default_rng(seed))) > 0.1


@pytest.mark.parametrize("name", [*effects_of(SHIPPED)])
def test_every_effect_changes_a_picture_by_its_seed_and_keeps_its_form(name: str) -> None:
    augmentation = Augmentation(only(**{name: 1.0}), CROP)
    rgb = np.random.default_rng(0).integers(0, 256, (80, 120, 3), dtype=np.uint8)
    first, again, other = (augmentation.vary(rgb, seed) for seed in (1, 1, 2))
    assert first.shape == (96, 96, 3)
    assert first.dtype == np.uint8
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first, other)
    assert not np.array_equal(first, crop_image(rgb, CROP))


@pytest.mark.parametrize("name", [*effects_of(SHIPPED)])
def test_effects_leave_what_is_no_picture(name: str) -> None:
    square = Augmentation(only(**{name: 1.0}), CROP).vary(np.zeros((40, 80, 3), np.uint8), 3)
    assert np.unique(square[:24]).tolist() == [128]


@pytest.mark.parametrize(
    ("name", "levels"),
    # red minus green may move by twice the colour shift; by the veil's shift and rounding; else hardly at all
    [("colour", 2 * SHIPPED.colour_shift + 1), ("noise", 2), ("far_focus", 2), ("motion_blur", 2)],
)
def test_colours_move_within_their_bounds_only(name: str, levels: int) -> None:
    rgb = np.full((60, 60, 3), (120, 80, 60), np.uint8)
    augmentation = Augmentation(only(**{name: 1.0}), CROP)
    for seed in range(20):
        red, green, _ = augmentation.vary(rgb, seed)[20:70, 20:70].reshape(-1, 3).astype(float).mean(axis=0)
        assert abs((red - green) - 40) <= levels


def test_turbid_water_dims_colours_and_brings_none() -> None:
    """A red fish in grey water stays the redder one, and never gets redder than it was."""
    rgb = np.full((60, 60, 3), 100, np.uint8)
    rgb[20:40, 20:40] = (180, 60, 60)
    augmentation = Augmentation(only(turbid_water=1.0), CropSettings(size=60))
    for seed in range(20):
        red, green, _ = augmentation.vary(rgb, seed)[28:32, 28:32].reshape(-1, 3).astype(float).mean(axis=0)
        assert 120 * 0.4 - 16 <= red - green <= 120 + 16


@pytest.mark.parametrize(("mirrored", "expected"), [(False, {False}), (True, {False, True})])
def test_sides_are_turned_only_where_they_do_not_matter(mirrored: bool, expected: set[bool]) -> None:
    rgb = np.zeros((60, 60, 3), np.uint8)
    rgb[:, :20] = 255
    augmentation = Augmentation(only(mirrored=mirrored), CROP)
    found = {bool(augmentation.vary(rgb, seed)[48, 80, 0] > 128) for seed in range(20)}
    assert found == expected


def test_effects_do_not_come_together_by_one_seed() -> None:
    """Two effects with a chance of one half agree about half of the time, not always."""
    augmentation = Augmentation(only(exposure=0.5, mirrored=True), CROP)
    rgb = np.full((60, 60, 3), 100, np.uint8)
    rgb[:, :20] = 200
    both = []
    for seed in range(200):
        square = augmentation.vary(rgb, seed)
        turned = int(square[48, 80, 0]) > int(square[48, 15, 0])
        both.append(turned == (int(square[48, 48, 0]) != 100))
    assert 60 < sum(both) < 140  # binomial(200, 1/2) leaves this with probability 1e-8


def test_halving_first_gives_the_gates_crop_within_a_few_levels() -> None:
    rng = np.random.default_rng(0)
    soft = cv2.resize(rng.integers(0, 256, (24, 32, 3), dtype=np.uint8), (640, 480), interpolation=cv2.INTER_CUBIC)
    difference = np.abs(Augmentation(only(), CROP).vary(soft, 1).astype(int) - crop_image(soft, CROP))
    assert difference.mean() < 1.5  # of 255, in a picture of full contrast everywhere


@pytest.mark.parametrize(
    ("size", "at_least", "expected"),
    [
        ((480, 640), 224, (240, 320)),
        ((480, 640), 321, (480, 640)),
        ((75, 101), 50, (38, 51)),
        ((60, 80), None, (60, 80)),
    ],
)
def test_a_picture_to_vary_is_halved_while_it_is_decoded(
    size: tuple[int, int], at_least: int | None, expected: tuple[int, int]
) -> None:
    soft = cv2.GaussianBlur(cv2.resize(fish(), size[::-1]), (0, 0), 2)
    halved = decode_picture(encode_working(soft), at_least=at_least)
    assert halved.shape[:2] == expected
    difference = np.abs(
        crop_image(halved, CropSettings(size=32)).astype(int) - crop_image(soft, CropSettings(size=32))
    )
    assert difference.mean() < 1.5


def test_the_gallery_has_a_row_for_each_effect() -> None:
    sheet = draw_gallery([fish(), fish()], SHIPPED, CROP)
    assert sheet.shape == (96 * (len(effects_of(SHIPPED)) + 3), 96 * 3, 3)
