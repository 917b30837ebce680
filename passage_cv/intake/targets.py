"""The reference target: light, colour, scale and sharpness of one picture of it, in a few numbers.

A target is any flat card with one of the printed markers of ``codes`` on white paper, for example the scale that
``scripts/markers`` prints; the white around the marker gives light and colour, its side the scale, its edges the
sharpness. Of a card without
a marker only light and colour are taken, from the middle of the picture. Judging is done by ``target_checks``
within a batch and by the data set against the set-up's own history.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.intake.codes import find_markers

Rgb = npt.NDArray[np.uint8]

_SIDE = 128
"""Pixels of the marker's side in the straightened view."""
_MARGIN = 32
_RING = slice(10, 24), slice(_SIDE + 2 * _MARGIN - 24, _SIDE + 2 * _MARGIN - 10)
"""White paper around the marker in that view, clear of its edge."""
_BORDER = slice(_MARGIN + 5, _MARGIN + 15)
"""The marker's own black border (a seventh of its side), clear of both edges."""


@dataclass(frozen=True, slots=True)
class Target:
    """Numbers of one picture of a reference target.

    ``light`` is the mean level of the white paper (0 to 255); ``red_green`` and ``blue_green`` its colour ratios,
    1 for a neutral one; ``marker_px`` the marker's side in pixels of the original; ``sharpness`` the variance of the
    Laplacian over the straightened marker, in units of its squared contrast. None where there was no marker.
    """

    light: float
    red_green: float
    blue_green: float
    marker_px: float | None = None
    sharpness: float | None = None

    @property
    def is_glaring(self) -> bool:
        """Whether the paper is so bright that its colour means nothing."""
        return self.light > 250


def measure_target(rgb: Rgb, *, scale: float = 1.0) -> Target:
    """Measure a picture of a reference target.

    Parameters
    ----------
    rgb
        uint8 (height, width, 3).
    scale
        Pixels of the original per pixel of ``rgb``, for a reduced copy.

    Returns
    -------
    Target
        From the largest marker; from the middle third of the picture where there is none.
    """
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    corners = _largest_marker(grey)
    if corners is None:
        height, width = grey.shape
        middle = rgb[height // 3 : -(height // 3) or None, width // 3 : -(width // 3) or None]
        return Target(*_light(middle.reshape(-1, 3)))
    straight = _straightened(rgb, corners)
    rows, columns = _RING
    paper = np.concatenate(
        [straight[rows].reshape(-1, 3), straight[columns].reshape(-1, 3), straight[:, rows].reshape(-1, 3)]
    )
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    return Target(*_light(paper), float(sides.mean()) * scale, _sharpness(straight, paper))


def _largest_marker(grey: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64] | None:
    """Corners of the largest printed marker to parts of a pixel, shape (4, 2) as x, y, or None."""
    largest = max(find_markers(grey), key=lambda one: one.side_px, default=None)
    if largest is None:
        return None
    corners = np.asarray(largest.corners, dtype=np.float32).reshape(-1, 1, 2)
    until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    return np.asarray(cv2.cornerSubPix(grey, corners, (3, 3), (-1, -1), until), dtype=np.float64).reshape(4, 2)


def _straightened(rgb: Rgb, corners: npt.NDArray[np.float64]) -> Rgb:
    low, high = float(_MARGIN), float(_MARGIN + _SIDE)
    square = np.array([(low, low), (high, low), (high, high), (low, high)], dtype=np.float32)
    turn = cv2.getPerspectiveTransform(corners.astype(np.float32), square)
    whole = _SIDE + 2 * _MARGIN
    return np.asarray(cv2.warpPerspective(rgb, turn, (whole, whole), borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8)


def _light(pixels: npt.NDArray[np.uint8]) -> tuple[float, float, float]:
    red, green, blue = (max(float(level), 1.0) for level in np.median(pixels, axis=0))
    return float(np.mean([red, green, blue])), red / green, blue / green


def _sharpness(straight: Rgb, paper: npt.NDArray[np.uint8]) -> float:
    grey = np.asarray(cv2.cvtColor(straight, cv2.COLOR_RGB2GRAY), dtype=np.float32)
    inside = slice(_MARGIN, _MARGIN + _SIDE)
    contrast = float(np.median(paper)) - float(np.median(grey[_BORDER, inside]))
    edges = cv2.Laplacian(grey[inside, inside], cv2.CV_32F)
    return float(edges.var()) / max(contrast, 1.0) ** 2
