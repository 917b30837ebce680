"""What a card does to a batch is bounded as the workers' effects are, and goes by its seeds."""

import numpy as np
import pytest
import torch
from torch import Tensor

from passage_cv.recognition.augment import BRIGHTER, GAMMA, Augmentation
from passage_cv.recognition.crop import CropSettings, Rgb, crop_image, placed_box
from passage_cv.recognition.on_card import CardEffects
from tests.recognition.test_augment import CROP, ELONGATION, SHIPPED, elongation, fish, only

FILL = 128


def batch_of(rgb: Rgb, n: int, crop: CropSettings = CROP) -> tuple[Tensor, Tensor]:
    """The same picture n times, as workers hand it over."""
    crops = np.repeat(crop_image(rgb, crop)[None], n, axis=0)
    boxes = np.repeat(np.array([placed_box(rgb.shape[0], rgb.shape[1], crop.size)]), n, axis=0)
    return torch.from_numpy(crops), torch.from_numpy(boxes)


def levels(x: Tensor) -> np.ndarray:
    """The network's input as levels, (n, size, size, 3)."""
    return ((x + 1) * 127.5).permute(0, 2, 3, 1).numpy()


def varied(rgb: Rgb, n: int, **on: object) -> np.ndarray:
    """Levels of n draws with everything off but this."""
    crops, boxes = batch_of(rgb, n)
    return levels(CardEffects(only(**on), CROP)(crops, boxes, range(n)))


def test_nothing_on_gives_the_crop_itself() -> None:
    np.testing.assert_allclose(varied(fish(), 2)[1], crop_image(fish(), CROP), atol=1e-3)


def test_the_input_lies_channels_last_and_goes_by_its_seeds() -> None:
    crops, boxes = batch_of(fish(), 4)
    effects = CardEffects(SHIPPED, CROP)
    first, again, other = (effects(crops, boxes, seeds) for seeds in ([1, 2, 3, 4], [1, 2, 3, 4], [5, 6, 7, 8]))
    assert first.is_contiguous(memory_format=torch.channels_last)
    assert torch.equal(first, again)
    assert not torch.equal(first, other)


def test_geometry_never_squeezes_a_body() -> None:
    shapes = [elongation(one) for one in varied(fish(), 40, geometry=1.0)]
    assert max(abs(shape / ELONGATION - 1) for shape in shapes) < 0.05
    assert len({round(shape, 4) for shape in shapes}) > 20


def test_geometry_turns_scales_and_moves_as_far_as_the_workers_does() -> None:
    """Extremes over many draws of the fish's place, size and slope, beside those of the library's transform."""
    workers = Augmentation(only(geometry=1.0), CROP)
    theirs = np.array([poise(workers.vary(fish(), seed)) for seed in range(400)])
    ours = np.array([poise(one) for one in varied(fish(), 400, geometry=1.0)])
    apart = np.array([1.0, 1.0, 0.04, 2.5])
    assert (np.abs(ours.min(axis=0) - theirs.min(axis=0)) < apart).all()
    assert (np.abs(ours.max(axis=0) - theirs.max(axis=0)) < apart).all()


def poise(square: np.ndarray) -> list[float]:
    """Middle (rows, columns), size relative to 25 pixels, and slope in degrees of the dark body."""
    rows, columns = np.nonzero(square[:, :, 1] < 100)
    values, vectors = np.linalg.eigh(np.cov(np.stack([rows, columns]).astype(np.float64)))
    row, column = vectors[:, 1]
    slope = float(np.degrees(np.arctan(row / column)))
    return [float(rows.mean()), float(columns.mean()), float(np.sqrt(values[1])) / 25, slope]


@pytest.mark.parametrize("on", [{"exposure": 1.0}, {"colour": 1.0}, {"noise": 1.0}])
def test_tone_and_noise_leave_what_is_no_picture(on: dict[str, object]) -> None:
    made = varied(np.full((40, 80, 3), 90, np.uint8), 3, **on)
    np.testing.assert_allclose(made[:, :24], FILL, atol=1e-3)
    assert not np.allclose(made[:, 30:60], 90, atol=1)


def test_colours_move_within_their_bound_and_exposure_within_its_own() -> None:
    rgb = np.full((60, 60, 3), (120, 80, 60), np.uint8)
    shifted = varied(rgb, 60, colour=1.0)[:, 48, 48]
    assert np.abs(shifted - (120, 80, 60)).max() <= SHIPPED.colour_shift + 0.01
    exposed = varied(rgb, 60, exposure=1.0)[:, 48, 48, 0]
    darkest, brightest = (255 * np.exp(gain + np.exp(gamma) * np.log(120 / 255)) for gain, gamma in (
        (BRIGHTER[0], GAMMA), (BRIGHTER[1], -GAMMA)))  # fmt: skip
    assert darkest - 0.01 <= exposed.min() < 80
    assert 160 < exposed.max() <= brightest + 0.01


def test_noise_is_alike_in_all_channels_and_as_strong_as_the_workers() -> None:
    made = varied(np.full((60, 60, 3), (120, 120, 120), np.uint8), 50, noise=1.0)
    np.testing.assert_array_equal(made[..., 0], made[..., 2])
    assert 7 < made.std() < 10.5  # root mean square of uniform(3, 14): 9.07


@pytest.mark.parametrize(("mirrored", "share"), [(False, (0, 0)), (True, (25, 75))])
def test_sides_are_turned_only_where_they_do_not_matter(mirrored: bool, share: tuple[int, int]) -> None:
    rgb = np.zeros((60, 60, 3), np.uint8)
    rgb[:, :20] = 255
    turned = (varied(rgb, 100, mirrored=mirrored)[:, 48, 80, 0] > FILL).sum()
    assert share[0] <= turned <= share[1]  # binomial(100, 1/2) leaves this with probability 3e-7


def test_workers_leave_to_the_card_what_it_does() -> None:
    everything = SHIPPED.model_copy(update={"exposure": 1.0, "colour": 1.0, "noise": 1.0, "geometry": 1.0})
    on = only(exposure=1.0, colour=1.0, noise=1.0, geometry=1.0, mirrored=True)
    small = fish()[60:240, 60:240]
    first = Augmentation(on, CROP, is_first_part=True)
    np.testing.assert_array_equal(first.vary(small, 1), crop_image(small, CROP))
    whole = Augmentation(everything, CROP)
    assert set(whole.effects) - set(Augmentation(everything, CROP, is_first_part=True).effects) == {
        *("exposure", "colour", "noise"),
    }
