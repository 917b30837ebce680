"""What stands in front of a fixed camera: a picture's sketch held against those of its set-up's empty view.

Comes in: sketches of 64 x 36 grey levels. Goes out: the bodies that are not in the empty view. Slow changes of light
are fitted away, so that a cloud or a lamp is no fish. Judging is done in ``view_checks``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

WIDTH, HEIGHT = 64, 36
"""Size of a sketch: a fish of a tenth of the view is six pixels long [ours]."""
LEAST_GREY = 4.0
"""Grey levels that a body differs at least from the empty view [ours: twice the noise of a lit camera]."""
LEAST_AREA = 12
"""Pixels of a sketch below which nothing counts as a body: half a percent of the view [ours]."""

Grey = npt.NDArray[np.uint8]
Plane = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Body:
    """Something that is not in the empty view: its area in pixels of a sketch, and its pixels along the frame."""

    area: int
    at_frame: int


def sketch_of(grey: Grey) -> bytes:
    """A picture at 64 x 36 grey levels, row by row."""
    while grey.shape[1] >= 2 * WIDTH and grey.shape[0] >= 2 * HEIGHT:
        half = (grey.shape[1] // 2, grey.shape[0] // 2)
        grey = np.asarray(cv2.resize(grey, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return cv2.resize(grey, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA).tobytes()


def find_bodies(sketch: bytes, empty: Sequence[bytes], noise: float) -> list[Body]:
    """Bodies in a picture that are in none of its empty views, largest first.

    Parameters
    ----------
    empty
        Sketches of the same view without fish; the one that fits best counts.
    noise
        Grey levels that two empty views differ by (:func:`noise_of`).
    """
    least = min((difference(sketch, one) for one in empty), key=lambda plane: float(np.median(np.abs(plane))))
    apart = (np.abs(cv2.GaussianBlur(least, (3, 3), 0)) > max(LEAST_GREY, 1.3 * noise)).astype(np.uint8)
    mask = cv2.morphologyEx(apart, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    frame = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    bodies = [Body(int(stats[i, cv2.CC_STAT_AREA]), int((frame == i).sum())) for i in range(1, count)]
    return sorted((body for body in bodies if body.area >= LEAST_AREA), key=lambda body: -body.area)


def noise_of(empty: Sequence[bytes]) -> float:
    """Grey levels by which empty views of one set-up differ: the median of their 99th percentiles; 0 for a single."""
    found = [
        min(float(np.percentile(np.abs(difference(one, other)), 99)) for j, other in enumerate(empty) if j != i)
        for i, one in enumerate(empty)
        if len(empty) > 1
    ]
    return float(np.median(found)) if found else 0.0


def difference(sketch: bytes, empty: bytes) -> Plane:
    """A picture less its empty view, after fitting contrast and slow light (least squares on what agrees)."""
    here, there = _plane(sketch), _plane(empty)
    design = np.column_stack([_slow_light(), (there - there.mean()).ravel()])
    wanted = here.ravel()
    agrees = np.ones(len(wanted), dtype=bool)
    rest = wanted
    for _ in range(4):
        weights = np.linalg.lstsq(design[agrees], wanted[agrees], rcond=None)[0]
        rest = wanted - design @ weights
        agrees = np.abs(rest) <= 2 * np.median(np.abs(rest)) + 0.5
    return np.asarray(rest.reshape(HEIGHT, WIDTH), dtype=np.float64)


def _plane(sketch: bytes) -> Plane:
    return np.frombuffer(sketch, dtype=np.uint8).reshape(HEIGHT, WIDTH).astype(np.float64)


@cache
def _slow_light() -> Plane:
    """Surfaces up to the third order over the picture: shape (2304, 8)."""
    y, x = (part.ravel() - 0.5 for part in np.mgrid[0:HEIGHT, 0:WIDTH] / np.array([HEIGHT, WIDTH])[:, None, None])
    return np.column_stack([np.ones_like(x), x, y, x * x, y * y, x * y, x**3, y**3])
