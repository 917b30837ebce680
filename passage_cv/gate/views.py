"""From the bytes of pictures to logits: the one path that setting cutoffs, packing, verifying and the gate share.

Decode strictly, crop as the package says, run the model. What cannot be used is said, never guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from passage_cv.errors import InputError
from passage_cv.intake.images import Rgb, decode_picture
from passage_cv.recognition.crop import CropSettings, crop_image

Logits = npt.NDArray[np.float32]


class Model(Protocol):
    """What scores crops: :class:`passage_cv.recognition.model.GateModel`, or a stand-in in a test."""

    def logits(self, crops: npt.NDArray[np.uint8]) -> Logits:
        """Logits of shape (n, n_classes) for crops of shape (n, size, size, 3)."""
        ...


def read_picture(picture: bytes | Path) -> bytes:
    """The bytes of a picture given as such or as a path.

    Raises
    ------
    InputError
        If the file cannot be opened.
    """
    if isinstance(picture, bytes):
        return picture
    try:
        return picture.read_bytes()
    except OSError as error:
        raise InputError(
            f"Picture cannot be opened: {error.strerror}", where=str(picture), do="Check the camera."
        ) from error


def decode_view(data: bytes, *, where: str) -> Rgb:
    """Pixels of one picture, decoded as for every other use: uint8, shape (height, width, 3).

    Raises
    ------
    InputError
        If it cannot be decoded.
    """
    return decode_picture(data, where=where)


def crop_pictures(pictures: Sequence[bytes], crop: CropSettings) -> npt.NDArray[np.uint8]:
    """Crops of one presentation's pictures, shape (n_views, size, size, 3).

    Raises
    ------
    InputError
        If a picture cannot be decoded or nothing is found in it.
    """
    return np.stack([crop_image(decode_view(data, where=f"view {n}"), crop) for n, data in enumerate(pictures, 1)])


def score_pictures(pictures: Sequence[bytes], model: Model, crop: CropSettings) -> Logits:
    """Logits of one presentation's pictures, shape (n_views, n_classes).

    Raises
    ------
    InputError
        As :func:`crop_pictures`.
    """
    return model.logits(crop_pictures(pictures, crop))
