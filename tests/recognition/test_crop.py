"""The crop keeps proportions, cuts nothing off and refuses what is no picture."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.recognition.crop import CropSettings, crop_image
from passage_cv.recognition.transforms import normalise, recipe_sha256


@given(st.integers(1, 90), st.integers(1, 90))
def test_the_longer_side_fills_the_square_and_proportions_stay(height: int, width: int) -> None:
    crop = crop_image(np.zeros((height, width, 3), np.uint8), CropSettings(size=48))
    picture = (crop == 0).all(axis=2)
    rows, columns = picture.any(axis=1).sum(), picture.any(axis=0).sum()
    assert max(rows, columns) == 48
    assert rows == max(1, round(height * 48 / max(height, width)))
    assert columns == max(1, round(width * 48 / max(height, width)))


def test_the_picture_stands_in_the_middle_on_grey() -> None:
    crop = crop_image(np.full((10, 20, 3), 200, np.uint8), CropSettings(size=40))
    assert (crop[10:30] == 200).all()
    assert (crop[:10] == 128).all()
    assert (crop[30:] == 128).all()


def test_reducing_averages_so_that_fine_stripes_do_not_turn_into_bands() -> None:
    stripes = np.zeros((256, 256, 3), np.uint8)
    stripes[:, ::2] = 255
    crop = crop_image(stripes, CropSettings(size=64))
    assert set(np.unique(crop)) <= {127, 128}


def test_a_square_of_the_right_size_is_not_touched() -> None:
    picture = np.random.default_rng(0).integers(0, 256, (32, 32, 3), dtype=np.uint8)
    assert np.array_equal(crop_image(picture, CropSettings(size=32)), picture)


@pytest.mark.parametrize(
    "bad",
    [np.zeros((4, 4), np.uint8), np.zeros((4, 4, 4), np.uint8), np.zeros((0, 4, 3), np.uint8), np.zeros((4, 4, 3))],
)
def test_other_arrays_are_refused(bad: np.ndarray) -> None:
    with pytest.raises(InputError, match=r"needed 8-bit \(height, width, 3\)"):
        crop_image(bad, CropSettings())


def test_grey_beside_the_picture_is_nothing_to_the_network() -> None:
    assert abs(normalise(float(CropSettings().fill))) < 0.005


def test_the_recipe_hash_changes_with_anything_that_changes_pixels() -> None:
    base = CropSettings()
    others = [base.model_copy(update=change) for change in ({"size": 192}, {"fill": 0}, {"interpolation": "cubic"})]
    hashes = {recipe_sha256(base), recipe_sha256(base, mirrored=True), *(recipe_sha256(one) for one in others)}
    assert len(hashes) == 5
