"""How long a fish is by the picture itself: a marker of known size beside it.

Comes in: a reduced picture with the square marker number 0 of ``codes``. Goes out: the marker's side and the length
of the largest thing beside it, both in pixels. Works for a fish laid on a plain board; in open water it may find
nothing, and then says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.intake.codes import SCALE_ID, Marker, find_markers

LEAST_SHARE = 0.005
"""Part of the picture that a fish covers at least [ours]."""
AROUND = 1.7
"""The marker's white margin, in parts of its side: nothing inside it is the fish [ours]."""

Rgb = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Scale:
    """Side of the marker and length of the object, in pixels of the picture as stored; 0 where there is none."""

    marker_px: float = 0.0
    object_px: float = 0.0

    def object_mm(self, marker_mm: float) -> float:
        """Length of the object, from the marker's true side; 0 where something is missing."""
        return self.object_px * marker_mm / self.marker_px if self.marker_px else 0.0


def measure_scale(reduced: Rgb, stored_per_reduced: float) -> Scale:
    """Find the marker and the object in a reduced picture.

    Parameters
    ----------
    reduced
        The picture at working size.
    stored_per_reduced
        Pixels of the picture as stored to one of the reduced one.
    """
    grey = np.asarray(cv2.cvtColor(reduced, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    marker = next((one for one in find_markers(grey) if one.number == SCALE_ID), None)
    if marker is None:
        return Scale()
    return Scale(marker.side_px * stored_per_reduced, _object_px(reduced, marker) * stored_per_reduced)


def _object_px(reduced: Rgb, marker: Marker) -> float:
    """Longer side of the smallest rectangle about the largest thing that is not board; 0 where it meets the frame."""
    mask = cv2.bitwise_and(_not_board(reduced), _outside(marker, reduced.shape[0], reduced.shape[1]))
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8))
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not outlines:
        return 0.0
    largest = max(outlines, key=cv2.contourArea)
    x, y, width, height = cv2.boundingRect(largest)
    meets_frame = x <= 1 or y <= 1 or x + width >= mask.shape[1] - 1 or y + height >= mask.shape[0] - 1
    if meets_frame or cv2.contourArea(largest) < LEAST_SHARE * mask.size:
        return 0.0
    return float(max(cv2.minAreaRect(largest)[1]) + 1)


def _not_board(reduced: Rgb) -> Mask:
    """What differs from the colour along the frame, cut where the histogram says (Otsu 1979)."""
    frame = np.concatenate([reduced[:3].reshape(-1, 3), reduced[-3:].reshape(-1, 3), reduced[:, :3].reshape(-1, 3)])
    board = np.median(frame, axis=0)
    apart = np.abs(reduced.astype(np.int16) - board.astype(np.int16)).max(axis=2).clip(0, 255).astype(np.uint8)
    return np.asarray(cv2.threshold(apart, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1], dtype=np.uint8)


def _outside(marker: Marker, height: int, width: int) -> Mask:
    corners = np.asarray(marker.corners)
    middle = corners.mean(axis=0)
    mask = np.full((height, width), 255, dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.round(middle + AROUND * (corners - middle)).astype(np.int32), 0)
    return mask
