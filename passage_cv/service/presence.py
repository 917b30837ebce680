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
from passage_cv.gate.views import decode_view

Small = npt.NDArray[np.float32]

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

    ``areas`` are shares of the frame, largest first; ``problem`` says why the frame is unusable; two frames with
    one ``fingerprint`` are alike to the last pixel.
    """

    areas: tuple[float, ...] = ()
    problem: str = ""
    fingerprint: int = 0

    @property
    def is_empty(self) -> bool:
        """Nothing in view; an unusable frame is not known to be empty."""
        return not self.areas and not self.problem


def small_copy(data: bytes) -> Small:
    """A picture's small blurred copy, float32 of shape (height, WIDTH, 3).

    Raises
    ------
    InputError
        If the picture cannot be decoded.
    """
    rgb = decode_view(data, where="frame")
    height = max(1, round(rgb.shape[0] * WIDTH / rgb.shape[1]))
    small = cv2.resize(rgb, (WIDTH, height), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (5, 5), 0), dtype=np.float32)


class EmptyView:
    """The slow picture of the empty view. It needs :data:`FIRST_FRAMES` frames before it can say anything."""

    def __init__(self) -> None:
        self._first: list[Small] = []
        self._usual: Small | None = None

    @property
    def is_learnt(self) -> bool:
        """Whether enough first frames were seen."""
        return self._usual is not None

    def look(self, data: bytes) -> View:
        """What a frame shows; teaches the empty view where nothing is in it."""
        try:
            small = small_copy(data)
        except InputError as error:
            return View(problem=error.what, fingerprint=zlib.crc32(data))
        fingerprint = zlib.crc32(small.tobytes())
        if self._usual is None:
            return self._learn(small, fingerprint)
        if self._usual.shape != small.shape:  # another camera or setting: never learnt anew in the middle of a run
            return View(problem=OTHER_SHAPE, fingerprint=fingerprint)
        areas = find_areas(np.abs(small - self._usual).max(axis=2) > DIFFERENCE)
        if not areas:
            self._usual += LEARN * (small - self._usual)
        return View(areas=areas, fingerprint=fingerprint)

    def _learn(self, small: Small, fingerprint: int) -> View:
        if self._first and self._first[0].shape != small.shape:
            self._first = []
        self._first.append(small)
        if len(self._first) < FIRST_FRAMES:
            return View(problem=NOT_LEARNT, fingerprint=fingerprint)
        self._usual = np.median(np.stack(self._first), axis=0).astype(np.float32)
        self._first = []
        return View(fingerprint=fingerprint)


def find_areas(changed: npt.NDArray[np.bool_]) -> tuple[float, ...]:
    """Shares of the frame that separate changed regions take, largest first; specks are left out.

    Examples
    --------
    >>> changed = np.zeros((100, 100), np.bool_)
    >>> changed[10:30, 10:40] = changed[60:80, 50:90] = True
    >>> changed[0, 0] = True
    >>> find_areas(changed)
    (0.08, 0.06)
    """
    closed = cv2.morphologyEx(changed.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    _, _, boxes, _ = cv2.connectedComponentsWithStats(closed)
    shares = boxes[1:, cv2.CC_STAT_AREA] / changed.size
    return tuple(sorted((float(share) for share in shares if share >= LEAST_AREA), reverse=True))
