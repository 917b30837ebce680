"""One crop for training, scoring and gate: the whole picture, letterboxed into a square.

Comes in: a decoded picture. Goes out: 8-bit pixels of the size the model takes. Proportions are kept, because body
depth tells look-alikes apart; nothing is cut off; what the picture does not cover is neutral grey.
"""

from __future__ import annotations

from typing import Annotated, Literal

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from passage_cv.config import Settings
from passage_cv.errors import InputError

Rgb = npt.NDArray[np.uint8]

_ENLARGE = {"nearest": cv2.INTER_NEAREST, "linear": cv2.INTER_LINEAR, "cubic": cv2.INTER_CUBIC}


class CropSettings(Settings):
    """How a picture becomes the model's input (``crop.json``).

    ``interpolation`` is for enlarging; a picture is always reduced by area averaging, which is free of moire.
    ``fill`` is the grey beside the picture: 128 becomes 0 in the model's normalisation.
    """

    format: Literal[1] = 1
    method: Literal["whole"] = "whole"
    size: Annotated[int, Field(ge=32, le=1024)] = 224
    interpolation: Literal["nearest", "linear", "cubic"] = "linear"
    fill: Annotated[int, Field(ge=0, le=255)] = 128


def crop_image(rgb: Rgb, settings: CropSettings) -> Rgb:
    """Fit a whole picture into a square.

    Parameters
    ----------
    rgb
        uint8, shape (height, width, 3), red, green, blue.
    settings
        See :class:`CropSettings`.

    Returns
    -------
    uint8 array (size, size, 3)
        The picture in the middle, its longer side as long as the square.

    Raises
    ------
    InputError
        If it is not such an array.

    Examples
    --------
    >>> crop = crop_image(np.zeros((2, 4, 3), np.uint8), CropSettings(size=32))
    >>> crop.shape, crop[:, 0, 0].tolist().count(128)
    ((32, 32, 3), 16)
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or 0 in rgb.shape or rgb.dtype != np.uint8:
        raise InputError(
            f"Picture has shape {rgb.shape} and type {rgb.dtype}, needed 8-bit (height, width, 3)",
            do="Decode it as red, green, blue.",
        )
    top, left, height, width = placed_box(rgb.shape[0], rgb.shape[1], settings.size)
    scale = settings.size / max(rgb.shape[:2])
    how = cv2.INTER_AREA if scale < 1 else _ENLARGE[settings.interpolation]
    fitted = cv2.resize(rgb, (width, height), interpolation=how)
    square = np.full((settings.size, settings.size, 3), settings.fill, dtype=np.uint8)
    square[top : top + height, left : left + width] = fitted
    return square


def placed_box(height: int, width: int, size: int) -> tuple[int, int, int, int]:
    """Where a picture of this size comes to lie in the square: top, left, height, width.

    Examples
    --------
    >>> placed_box(2, 4, 32)
    (8, 0, 16, 32)
    """
    scale = size / max(height, width)
    fitted_height, fitted_width = (max(1, round(side * scale)) for side in (height, width))
    return (size - fitted_height) // 2, (size - fitted_width) // 2, fitted_height, fitted_width
