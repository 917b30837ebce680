"""Reduced copies of the pictures, made once when a batch is accepted, for training and for looking.

A copy is derived: whoever deletes ``working/`` loses time, not data. Cutoffs and tests never read it; they
start from the original picture.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from passage_cv.dataset.store import Store
from passage_cv.errors import InputError
from passage_cv.intake.images import WORKING_SIDE, decode_picture, encode_working, reduce_picture

Rgb = npt.NDArray[np.uint8]


def working_path(sha256: str) -> str:
    """Path in the store of a picture's reduced copy."""
    return f"working/{WORKING_SIDE}/{sha256[:2]}/{sha256}.jpg"


def working_image(store: Store, sha256: str, at_least: int | None = None) -> Rgb:
    """A picture at working size: its reduced copy, or itself where it is that small already.

    With ``at_least`` its longest side has at least so many pixels and may be halved, which is faster; without, it is
    as stored.

    Returns
    -------
    uint8 array (height, width, 3)
        Red, green, blue; the longest side has at most 640 pixels.

    Raises
    ------
    InputError
        If the store has no such picture, or it cannot be decoded.
    """
    try:
        return decode_picture(store.storage.read(working_path(sha256)), at_least=at_least)
    except (FileNotFoundError, InputError):  # a copy lost or cut short by a power failure is made again
        return make_working(store, sha256)


def make_working(store: Store, sha256: str) -> Rgb:
    """The working picture from the original; its copy is kept where it is smaller."""
    rgb = decode_picture(store.read_object(sha256), where=f"picture {sha256[:12]}")
    if max(rgb.shape[:2]) <= WORKING_SIDE:
        return rgb
    data = encode_working(reduce_picture(rgb))
    store.storage.put(working_path(sha256), data, durable=False)
    return decode_picture(data)
