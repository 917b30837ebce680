"""From the bytes of pictures to logits: the one path that setting cutoffs, packing, verifying and the gate share.

Decode strictly, crop as the package says, run the model. What cannot be used is said, never guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.errors import InputError
from passage_cv.intake.containers import read_container
from passage_cv.intake.images import decode_picture
from passage_cv.recognition.crop import CropSettings, crop_image
from passage_cv.recognition.model import GateModel

Logits = npt.NDArray[np.float32]
Rgb = npt.NDArray[np.uint8]


class Model(Protocol):
    """What scores crops: :class:`passage_cv.recognition.model.GateModel`, or a stand-in in a test."""

    def logits(self, crops: npt.NDArray[np.uint8]) -> Logits:
        """Logits of shape (n, n_classes) for crops of shape (n, size, size, 3)."""
        ...


Picture = bytes | Rgb
"""A picture as it was stored, or decoded already."""


def read_picture(path: Path) -> bytes:
    """The bytes of a picture file.

    Raises
    ------
    InputError
        If it cannot be opened.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"Picture cannot be opened: {error.strerror}", where=str(path), do="Check the camera."
        ) from error


def decode_view(picture: Picture, *, where: str) -> Rgb:
    """Pixels of one picture, decoded as for every other use: uint8, shape (height, width, 3); once is enough.

    Raises
    ------
    InputError
        If it cannot be decoded.
    """
    return decode_picture(picture, where=where) if isinstance(picture, bytes) else picture


def file_ending(data: bytes) -> str:
    """The ending that fits a picture's first bytes, with its dot; ``""`` where it is no picture.

    Examples
    --------
    >>> file_ending(b"no picture")
    ''
    """
    container = read_container(data)
    return f".{container.kind}" if container else ""


def encode_losslessly(rgb: Rgb) -> bytes:
    """Pixels as a PNG that decodes to the same pixels; weakly packed, because a fish is waiting."""
    _, data = cv2.imencode(".png", rgb[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return bytes(data.tobytes())


def crop_pictures(pictures: Sequence[Picture], crop: CropSettings) -> npt.NDArray[np.uint8]:
    """Crops of one presentation's pictures, shape (n_views, size, size, 3).

    Raises
    ------
    InputError
        If a picture cannot be decoded or nothing is found in it.
    """
    return np.stack([crop_image(decode_view(one, where=f"view {n}"), crop) for n, one in enumerate(pictures, 1)])


@dataclass(frozen=True, slots=True)
class Sight:
    """What a model makes of one presentation's pictures.

    ``logits`` has shape (n_views, n_classes); ``held`` is why the model holds it, the first reason of the first view,
    or ``""``; ``unfamiliarity`` has shape (n_views,), None where the model says nothing of it.
    """

    logits: Logits
    held: str = ""
    unfamiliarity: Logits | None = None


def look_at_pictures(pictures: Sequence[Picture], model: Model, crop: CropSettings) -> Sight:
    """What the model makes of one presentation's pictures.

    Raises
    ------
    InputError
        As :func:`crop_pictures`.
    """
    crops = crop_pictures(pictures, crop)
    if not isinstance(model, GateModel):
        return Sight(model.logits(crops))
    seen = model.see(crops)
    return Sight(seen.logits, next((reason for reason in seen.hold_reasons if reason), ""), seen.unfamiliarity)


def score_pictures(pictures: Sequence[Picture], model: Model, crop: CropSettings) -> Logits:
    """Logits of one presentation's pictures, shape (n_views, n_classes).

    Raises
    ------
    InputError
        As :func:`crop_pictures`.
    """
    return model.logits(crop_pictures(pictures, crop))
