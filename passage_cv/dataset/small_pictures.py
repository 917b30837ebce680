"""A picture of the store as a small one inside a page, so that a page is one file."""

from __future__ import annotations

import base64

import cv2
import numpy as np

from passage_cv.dataset.store import Store
from passage_cv.dataset.working import working_image

_QUALITY = 80


def small_picture(store: Store, sha256: str, side: int) -> str:
    """A picture with its longest side at most ``side`` pixels, as a data address.

    Raises
    ------
    InputError
        If the store has no such picture, or it cannot be decoded.
    """
    rgb = working_image(store, sha256)
    height, width = rgb.shape[:2]
    scale = min(1.0, side / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    reduced = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    bgr = cv2.cvtColor(reduced, cv2.COLOR_RGB2BGR)
    data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])[1]
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")
