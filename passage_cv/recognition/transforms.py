"""The one normalisation, from 8-bit pixels to what the network takes; it travels inside the model file.

Works on arrays and on tensors alike, without torch.
"""

from __future__ import annotations

from typing import Any, TypeVar

from passage_cv.config import Settings
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.recognition.crop import CropSettings

HALF_RANGE = 127.5
"""Mean and standard deviation 0.5 of values in [0, 1], as the backbone was trained [weights' own package]."""

T = TypeVar("T", bound=Any)


def normalise(pixels: T) -> T:
    """Map pixels in 0 to 255, already as float, to -1 to 1.

    Examples
    --------
    >>> normalise(255.0), normalise(0.0)
    (1.0, -1.0)
    """
    return pixels / HALF_RANGE - 1.0  # type: ignore[no-any-return]


class Recipe(Settings):
    """All that happens to pixels before the network; its hash is part of every cache key and scores file."""

    crop: CropSettings
    half_range: float = HALF_RANGE
    mirrored: bool = False


def recipe_sha256(crop: CropSettings, *, mirrored: bool = False) -> str:
    """Hash of crop and transform together."""
    return sha256_bytes(canonical_json(Recipe(crop=crop, mirrored=mirrored).model_dump(mode="json")))
