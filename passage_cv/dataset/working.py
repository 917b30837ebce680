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

LEVELS_OFF = 16
"""Grey levels of 255 by which a pixel of a copy may differ from the copy made anew [ours: two releases of one
encoder round differently; a damaged block is further off]."""


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


def working_problem(store: Store, sha256: str, data: bytes) -> str:
    """What is wrong with a reduced copy, beside one made anew; empty where nothing is, or none is kept.

    Another release of the encoder may write other bytes for the same pixels, so pixels decide where bytes differ.

    Parameters
    ----------
    store
        Where the copy lies.
    sha256, data
        The original picture.
    """
    path = working_path(sha256)
    if not store.storage.exists(path):
        return ""
    kept = store.storage.read(path)
    try:
        made = encode_working(reduce_picture(decode_picture(data)))
        if kept == made:
            return ""
        found, wanted = decode_picture(kept), decode_picture(made)
    except InputError as error:
        return f"{path}: {error.what}; delete it, it will be made again"
    same_size = found.shape == wanted.shape
    if same_size and int(np.abs(found.astype(np.int16) - wanted).max(initial=0)) <= LEVELS_OFF:
        return ""
    return f"{path} does not show its picture; delete it, it will be made again"


def make_working(store: Store, sha256: str) -> Rgb:
    """The working picture from the original; its copy is kept where it is smaller."""
    rgb = decode_picture(store.read_object(sha256), where=f"picture {sha256[:12]}")
    if max(rgb.shape[:2]) <= WORKING_SIDE:
        return rgb
    data = encode_working(reduce_picture(rgb))
    store.storage.put(working_path(sha256), data, durable=False)
    return decode_picture(data)
