"""Is something in view, and is it one thing: each frame against a slow picture of the empty view.

Works on a small copy in colour: a green fish before a grey wall can be as bright as the wall. It never names a
fish: it says empty, one, several, or unusable, and whoever decides holds everything but one.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.errors import InputError
from passage_cv.gate.views import Rgb
from passage_cv.service.frames import Frame

Small = npt.NDArray[np.float32]
Box = tuple[int, int, int, int]

WIDTH = 160
"""Width of the small copy, in pixels [ours]."""
DIFFERENCE = 18.0
"""Levels (of 255) by which a pixel must leave the empty view in some colour [ours: above camera noise]."""
LEAST_AREA = 0.004
"""Share of the frame that counts as something [ours: debris below it is ignored, a fish is larger]."""
LEARN = 0.05
"""How fast the empty view follows light and water; only frames without anything teach it."""
NOT_LEARNT = "empty view is not learnt yet"
OTHER_SHAPE = "frame has another shape than the empty view"
FIRST_FRAMES = 5
"""Frames from which the empty view is first made."""


@dataclass(frozen=True, slots=True)
class View:
    """What one frame shows.

    ``areas`` are shares of the frame, largest first, and ``box`` is that of the largest, in pixels of the small copy
    (left, top, width, height); ``problem`` says why the frame is unusable; two frames with one ``fingerprint`` are
    alike to the last pixel. ``sharpness`` is the variance of the small copy's Laplacian inside the box.
    """

    areas: tuple[float, ...] = ()
    problem: str = ""
    fingerprint: int = 0
    box: Box | None = None
    sharpness: float | None = None

    @property
    def is_empty(self) -> bool:
        """Nothing in view; an unusable frame is not known to be empty."""
        return not self.areas and not self.problem


@dataclass(frozen=True, slots=True)
class Region:
    """One thing that is not the empty view: its share of the frame and its box in the small copy."""

    area: float
    box: Box


def small_copy(rgb: Rgb) -> Small:
    """A picture's small copy, float32 of shape (height, WIDTH, 3)."""
    height = max(1, round(rgb.shape[0] * WIDTH / rgb.shape[1]))
    return np.asarray(cv2.resize(rgb, (WIDTH, height), interpolation=cv2.INTER_AREA), dtype=np.float32)


class EmptyView:
    """The slow picture of the empty view. It needs :data:`FIRST_FRAMES` frames before it can say anything."""

    def __init__(self) -> None:
        self._first: list[Small] = []
        self._usual: Small | None = None

    @property
    def is_learnt(self) -> bool:
        """Whether enough first frames were seen."""
        return self._usual is not None

    def look(self, frame: Frame) -> View:
        """What a frame shows; teaches the empty view where nothing is in it."""
        try:
            sharp = small_copy(frame.pixels())
        except InputError as error:
            return View(problem=error.what, fingerprint=zlib.crc32(frame.data))
        small = np.asarray(cv2.GaussianBlur(sharp, (5, 5), 0), dtype=np.float32)
        fingerprint = zlib.crc32(sharp.tobytes())
        if self._usual is None:
            return self._learn(small, fingerprint)
        if self._usual.shape != small.shape:  # another camera or setting: never learnt anew in the middle of a run
            return View(problem=OTHER_SHAPE, fingerprint=fingerprint)
        regions = find_regions(largest_difference(small, self._usual) > DIFFERENCE)
        if not regions:
            self._usual += LEARN * (small - self._usual)
            return View(fingerprint=fingerprint)
        box = regions[0].box
        areas = tuple(region.area for region in regions)
        return View(areas=areas, fingerprint=fingerprint, box=box, sharpness=sharpness_of(sharp, box))

    def _learn(self, small: Small, fingerprint: int) -> View:
        if self._first and self._first[0].shape != small.shape:
            self._first = []
        self._first.append(small)
        if len(self._first) < FIRST_FRAMES:
            return View(problem=NOT_LEARNT, fingerprint=fingerprint)
        self._usual = np.median(np.stack(self._first), axis=0).astype(np.float32)
        self._first = []
        return View(fingerprint=fingerprint)


def largest_difference(one: Small, other: Small) -> npt.NDArray[np.float32]:
    """Per pixel, the difference in the colour in which two small copies differ most."""
    red, green, blue = cv2.split(cv2.absdiff(one, other))
    return np.asarray(cv2.max(cv2.max(red, green), blue))


def find_regions(changed: npt.NDArray[np.bool_]) -> tuple[Region, ...]:
    """Separate changed regions, largest first; specks are left out.

    Examples
    --------
    >>> changed = np.zeros((100, 100), np.bool_)
    >>> changed[10:30, 10:40] = changed[60:80, 50:90] = True
    >>> changed[0, 0] = True
    >>> [(region.area, region.box) for region in find_regions(changed)]
    [(0.08, (50, 60, 40, 20)), (0.06, (10, 10, 30, 20))]
    """
    closed = cv2.morphologyEx(changed.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    _, _, found, _ = cv2.connectedComponentsWithStats(closed)
    regions = [Region(float(row[cv2.CC_STAT_AREA] / changed.size), _box(row)) for row in found[1:]]
    return tuple(sorted((one for one in regions if one.area >= LEAST_AREA), key=lambda one: -one.area))


def sharpness_of(small: Small, box: Box) -> float:
    """Variance of the Laplacian of a box's grey values: falls when a lens fouls or water turns turbid."""
    left, top, width, height = box
    grey = cv2.cvtColor(small[top : top + height, left : left + width], cv2.COLOR_RGB2GRAY)
    return float(cv2.Laplacian(grey, cv2.CV_32F).var())


def overlap(one: Box, other: Box) -> float:
    """Shared area of two boxes as a share of the smaller one.

    Examples
    --------
    >>> overlap((0, 0, 10, 10), (5, 0, 10, 10)), overlap((0, 0, 4, 4), (4, 0, 4, 4))
    (0.5, 0.0)
    """
    width = min(one[0] + one[2], other[0] + other[2]) - max(one[0], other[0])
    height = min(one[1] + one[3], other[1] + other[3]) - max(one[1], other[1])
    return max(0, width) * max(0, height) / min(one[2] * one[3], other[2] * other[3])


def _box(row: npt.NDArray[np.int32]) -> Box:
    left, top, width, height = (int(row[n]) for n in range(4))
    return left, top, width, height
