"""What stands in front of a fixed camera: a picture's sketch held against those of its set-up's empty view.

Comes in: sketches of 128 x 72 grey levels. Goes out: the bodies that are not in the empty view. Slow changes of light
are fitted away, and glare goes by its soft edges, so that a cloud or a lamp is no fish. Judging is done in
``view_checks``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

WIDTH, HEIGHT = 128, 72
"""Size of a sketch: a fish of a tenth of the view is thirteen pixels long [ours]."""
LEAST_GREY = 4.0
"""Grey levels that a body differs at least from the empty view [ours: twice the noise of a lit camera]."""
NOISES = 4.5
"""Robust deviations of this picture's own background that a body stands above: turbid water lowers both [ours]."""
SPREADS = 2.5
"""Times that a body's grey levels pass what the empty views themselves differ by at that place [ours]."""
LEAST_AREA = 36
"""Pixels of a sketch below which nothing counts as a body: 0.4 percent of the view [ours]."""
GLARE_ABOVE, GLARE_SOFT = 0.98, 0.36
"""Share of its pixels brighter than the empty view, and edge slope in parts of its height, of glare [ours, drawn]."""
FIT_STEP = 4
"""Every fourth pixel each way suffices to fit ten numbers."""

Grey = npt.NDArray[np.uint8]
Plane = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """Something that is not in the empty view.

    ``area`` and ``at_frame`` (along the side that it meets most) in pixels of a sketch; ``thick`` its greatest
    number of pixels in a column; ``slender`` the length of its tightest box over the width; ``mask`` its pixels
    in a box whose corner is ``left`` and ``top``.
    """

    area: int
    at_frame: int
    thick: int
    slender: float
    left: int
    top: int
    mask: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Backdrop:
    """A view without fish: what most of its empty pictures show, and what they differ by; both (72, 128)."""

    usual: Plane
    spread: Plane


def sketch_of(grey: Grey) -> bytes:
    """A picture at 128 x 72 grey levels, row by row."""
    while grey.shape[1] >= 2 * WIDTH and grey.shape[0] >= 2 * HEIGHT:
        half = (grey.shape[1] // 2, grey.shape[0] // 2)
        grey = np.asarray(cv2.resize(grey, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return cv2.resize(grey, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA).tobytes()


def backdrop_of(empty: Sequence[bytes]) -> Backdrop:
    """What a set-up's empty views have in common; one of them may hold glare, or a fish that nobody saw."""
    usual = np.median([_plane(one) for one in empty], axis=0)
    apart = np.sort([np.abs(_difference(_plane(one), usual)) for one in empty], axis=0)
    spread = apart[-2] if len(empty) > 2 else np.zeros_like(usual)
    return Backdrop(usual, _smooth(spread))


def find_bodies(sketch: bytes, backdrop: Backdrop, *, strictness: float = 1.0) -> list[Body]:
    """Bodies in a picture that are not in its backdrop, largest first; glare is none.

    ``strictness`` below 1 lets fainter ones count.
    """
    apart = _difference(_plane(sketch), backdrop.usual)
    noise = 1.4826 * _median(np.abs(apart))
    least = np.maximum(max(LEAST_GREY, NOISES * noise), SPREADS * backdrop.spread)
    above = np.abs(_smooth(apart)) > strictness * least
    count, labels, stats, _ = cv2.connectedComponentsWithStats(_closed(above))
    slope = np.hypot(cv2.Sobel(apart, cv2.CV_64F, 1, 0), cv2.Sobel(apart, cv2.CV_64F, 0, 1)) / 8
    bodies = []
    for i in range(1, count):
        left, top, width, height, area = (int(value) for value in stats[i])
        window = np.s_[top : top + height, left : left + width]
        mask = labels[window] == i
        if area >= LEAST_AREA and not _is_glare(apart[window][mask], slope[window][mask]):
            bodies.append(_measured(mask, left, top))
    return sorted(bodies, key=lambda body: -body.area)


def _closed(mask: npt.NDArray[np.bool_]) -> Grey:
    """Stripes and scales joined to one body, single specks taken away."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    joined = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, disc)
    return np.asarray(cv2.morphologyEx(joined, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)), dtype=np.uint8)


def _is_glare(apart: Plane, slope: Plane) -> bool:
    """Light on glass or water: brighter everywhere, with soft edges; a silver fish still has dark parts and edges."""
    if float((apart > 0).mean()) < GLARE_ABOVE:
        return False
    return float(np.percentile(slope, 75)) < GLARE_SOFT * float(np.percentile(np.abs(apart), 90))


def _measured(mask: npt.NDArray[np.bool_], left: int, top: int) -> Body:
    grey = mask.astype(np.uint8)
    points = np.asarray(cv2.findNonZero(grey))
    _, sides, _ = cv2.minAreaRect(points)
    ends = [
        grey[:, 0].sum() if left == 0 else 0,
        grey[:, -1].sum() if left + grey.shape[1] == WIDTH else 0,
        grey[0].sum() if top == 0 else 0,
        grey[-1].sum() if top + grey.shape[0] == HEIGHT else 0,
    ]
    return Body(
        area=int(grey.sum()),
        at_frame=int(max(ends)),
        thick=int(grey.sum(axis=0).max()),
        slender=(max(sides) + 1) / (min(sides) + 1),
        left=left,
        top=top,
        mask=mask,
    )


def _smooth(plane: Plane) -> Plane:
    return np.asarray(cv2.GaussianBlur(plane, (3, 3), 0), dtype=np.float64)


def _difference(here: Plane, there: Plane) -> Plane:
    """A picture less its empty view, after fitting contrast and slow light (least squares on what agrees)."""
    light = _slow_light()
    contrast = (there - there.mean()).reshape(HEIGHT, WIDTH, 1)
    coarse = np.s_[FIT_STEP // 2 :: FIT_STEP, FIT_STEP // 2 :: FIT_STEP]
    design = np.concatenate([light[coarse], contrast[coarse]], axis=2).reshape(-1, light.shape[2] + 1)
    wanted = here[coarse].ravel()
    agrees = np.ones(len(wanted), dtype=bool)
    weights = np.zeros(design.shape[1])
    for _ in range(4):
        kept = design[agrees]
        weights = np.linalg.solve(kept.T @ kept + 1e-6 * np.eye(len(weights)), kept.T @ wanted[agrees])
        agrees = _agreeing(np.abs(wanted - design @ weights))
    return _without_bands(here - light @ weights[:-1] - contrast[..., 0] * weights[-1])


def _without_bands(rest: Plane) -> Plane:
    """Less the light that waves throw in level bands: each row's mean over what looks like water there."""
    water = _agreeing(np.abs(rest))
    count = water.sum(axis=1)
    level = np.where(count > WIDTH // 4, (rest * water).sum(axis=1) / np.maximum(count, 1), 0.0)
    return np.asarray(rest - level[:, None])


def _agreeing(rest: Plane) -> npt.NDArray[np.bool_]:
    return np.asarray(rest <= 2.5 * _median(rest) + 0.5)


def _median(values: Plane) -> float:
    """What ``np.median`` gives, without its time for axes and missing values."""
    middle = values.size // 2
    ordered = np.partition(values, middle, axis=None)
    return float(ordered[middle]) if values.size % 2 else float((ordered[:middle].max() + ordered[middle]) / 2)


def _plane(sketch: bytes) -> Plane:
    return np.frombuffer(sketch, dtype=np.uint8).reshape(HEIGHT, WIDTH).astype(np.float64)


@cache
def _slow_light() -> Plane:
    """Surfaces up to the third order over the picture: shape (72, 128, 8)."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] / np.array([HEIGHT, WIDTH])[:, None, None] - 0.5
    return np.stack([np.ones_like(x), x, y, x * x, y * y, x * y, x**3, y**3], axis=-1)
