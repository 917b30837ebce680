"""Printed markers in a picture: fish numbers on slates, and the scale.

Comes in: a decoded picture. Goes out: the markers found, with their corners. Two kinds are read: square markers
of OpenCV's dictionary 5X5_1000, of which number 0 is the scale and any other the number of a fish [ours], and QR
codes, whose last number is the number of a fish. Handwriting is not read: a person says what it says.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

SCALE_ID = 0
"""The marker whose side is known; any other number is that of a fish."""

_SLATE_NUMBER = re.compile(r"(\d+)\D*$")

Grey = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Marker:
    """One square marker: its number, and its corners (4, 2) as x and y in pixels, clockwise from the top left."""

    number: int
    corners: tuple[tuple[float, float], ...]

    @property
    def side_px(self) -> float:
        """Mean length of the four sides."""
        corners = np.asarray(self.corners)
        return float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).mean())


def find_markers(grey: Grey) -> tuple[Marker, ...]:
    """The square markers in a picture, by number."""
    corners, numbers, _ = _detector().detectMarkers(grey)
    if numbers is None:
        return ()
    found = [
        Marker(int(number), tuple((float(x), float(y)) for x, y in quad.reshape(4, 2)))
        for quad, number in zip(corners, np.ravel(numbers), strict=True)
    ]
    return tuple(sorted(found, key=lambda marker: marker.number))


def read_qr(grey: Grey) -> str:
    """The text of the first QR code, empty where there is none."""
    try:
        text, _, _ = cv2.QRCodeDetector().detectAndDecode(grey)
    except cv2.error:  # a damaged code that the decoder trips over says nothing
        return ""
    return str(text).strip()


def slate_number(grey: Grey) -> str:
    """The fish number that a slate names by a printed code; empty where no code is found.

    A picture with the scale marker only is no slate.
    """
    numbers = [marker.number for marker in find_markers(grey) if marker.number != SCALE_ID]
    if numbers:
        return str(numbers[0])
    found = _SLATE_NUMBER.search(read_qr(grey))
    return str(int(found[1])) if found else ""


def draw_marker(number: int, side_px: int) -> Grey:
    """A square marker to print: black on white, without the white margin that it needs around it."""
    return np.asarray(cv2.aruco.generateImageMarker(_dictionary(), number, side_px), dtype=np.uint8)


@cache
def _dictionary() -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)


@cache
def _detector() -> cv2.aruco.ArucoDetector:
    return cv2.aruco.ArucoDetector(_dictionary(), cv2.aruco.DetectorParameters())
