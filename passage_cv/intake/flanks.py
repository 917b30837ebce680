"""Dark marks on the flank of a fish before a fixed camera, measured so that a rider tells from a pattern.

Comes in: a picture and the body found in its sketch. Goes out: a row of numbers for each of the plainest marks. A
leech is a short bar of its own kind: darker than what lies on both sides, not part of a row, at any angle. What the
numbers say is learnt (``trees``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.intake.sketches import HEIGHT, WIDTH, Body, Grey, Plane

LONG = 288
"""Pixels along the body to which its box is scaled: a leech of 1.4 percent of the fish is four wide [ours]."""
MARGIN = 3
"""Pixels of the sketch around the body that its box takes in."""
WIDEST = 11
"""Pixels up to which a dark detail is a mark [ours: twice the width of a leech]."""
AREAS = (12, 700)
"""Pixels of a mark at least and at most: an eye's pupil, a third of a fin [ours]."""
LEAST_DARK = 6
"""Grey levels by which a mark is darker than its sides [ours]."""
AT_MOST = 8
"""Marks of a body that are looked at: the plainest by darkness and size."""
MARKS = (
    *("area", "length", "width", "elongation", "angle", "darkness", "darkest", "darkness over the fish's", "rank"),
    *(
        "from the middle",
        "height",
        "own grey",
        "filled",
        "unrest around",
        "grey around",
        "marks",
        "contrast of the fish",
    ),
    *("pixels of the fish", "edge", "usual darkness", "depth", "along"),
)
"""What a row of :func:`flank_marks` holds."""

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """A row of ``numbers`` for each mark, columns as in ``MARKS``, at most 8; none where nothing is dark enough.

    ``places`` are their middles, (n, 2), in parts of the picture's width and height.
    """

    numbers: Plane
    places: Plane


@dataclass(frozen=True, slots=True, eq=False)
class _Flank:
    """A body's box at a common scale, smoothed; ``inside`` is the body without its rim, ``depth`` in pixels from it.

    ``long`` is the body's length in pixels of the picture; the box's corner is ``corner`` there, x before y.
    """

    grey: Grey
    inside: Mask
    depth: npt.NDArray[np.float32]
    axis: tuple[float, float]
    long: float
    corner: tuple[int, int]


def flank_marks(pixels: Grey, body: Body) -> Marks:
    """The plainest dark marks of a body.

    Parameters
    ----------
    pixels
        The picture as decoded, (height, width) or with channels behind.
    body
        As found in its sketch.
    """
    flank = _flank_of(pixels, body)
    grey = flank.grey
    darker = np.asarray(cv2.subtract(cv2.morphologyEx(grey, cv2.MORPH_CLOSE, _disc()), grey), dtype=np.uint8)
    counts = np.cumsum(np.bincount(darker[flank.inside], minlength=256))
    if counts[-1] < AREAS[0]:
        return Marks(np.zeros((0, len(MARKS))), np.zeros((0, 2)))
    usual, plain = (int(np.searchsorted(counts, share * counts[-1])) for share in (0.95, 0.97))
    above = ((darker > max(LEAST_DARK, usual)) & flank.inside).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(above)
    fits = (stats[1:, cv2.CC_STAT_AREA] >= AREAS[0]) & (stats[1:, cv2.CC_STAT_AREA] <= AREAS[1])
    pieces = np.asarray(labels, dtype=np.int32)
    numbers, middles = _measured(flank, darker, pieces, 1 + np.flatnonzero(fits), (usual, plain))
    places = (middles * flank.long / LONG + flank.corner) / (pixels.shape[1], pixels.shape[0])
    return Marks(numbers, places)


def _flank_of(pixels: Grey, body: Body) -> _Flank:
    """Cut out the body and bring it to ``LONG`` pixels."""
    high, wide = body.mask.shape
    across, down = pixels.shape[1] / WIDTH, pixels.shape[0] / HEIGHT
    columns = slice(max(0, int((body.left - MARGIN) * across)), int((body.left + wide + MARGIN) * across))
    rows = slice(max(0, int((body.top - MARGIN) * down)), int((body.top + high + MARGIN) * down))
    box = _grey(pixels[rows, columns])
    _, sides, _ = cv2.minAreaRect(np.asarray(cv2.findNonZero(body.mask.astype(np.uint8))))
    long = (max(sides) + 1) * across
    size = (max(8, round(box.shape[1] * LONG / long)), max(8, round(box.shape[0] * LONG / long)))
    grey = cv2.resize(box, size, interpolation=cv2.INTER_AREA if long > LONG else cv2.INTER_LINEAR)
    place = np.array(
        [
            [LONG / long * across, 0, LONG / long * (body.left * across - columns.start)],
            [0, LONG / long * down, LONG / long * (body.top * down - rows.start)],
        ]
    )
    mask = cv2.warpAffine(body.mask.astype(np.uint8) * 255, place, size) > 127
    depth = np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3), dtype=np.float32)
    smooth = np.asarray(cv2.GaussianBlur(grey, (3, 3), 0), dtype=np.uint8)
    return _Flank(smooth, depth > 2, depth, _axis(body.mask), long, (columns.start, rows.start))


def _grey(box: Grey) -> Grey:
    if box.ndim == 3 and box.shape[2] == 3:
        return np.asarray(cv2.cvtColor(box, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    return np.ascontiguousarray(box[..., 0] if box.ndim == 3 else box)


def _measured(
    flank: _Flank, darker: Grey, labels: npt.NDArray[np.int32], kept: npt.NDArray[np.int64], levels: tuple[int, int]
) -> tuple[Plane, Plane]:
    """Sums over every kept mark at once: numbers and middles of the plainest."""
    wanted = np.zeros(int(labels.max()) + 1, dtype=np.int64)
    wanted[kept] = np.arange(1, len(kept) + 1)
    own = wanted[labels]
    y, x = np.nonzero(own > 0)
    mark = own[y, x] - 1
    n = np.bincount(mark, minlength=len(kept)).astype(np.float64)

    def mean(values: npt.NDArray[np.generic]) -> Plane:
        return np.bincount(mark, values.astype(np.float64), minlength=len(kept)) / n

    dark, grey = darker[y, x], flank.grey[y, x]
    middle_x, middle_y = mean(x), mean(y)
    length, width, angle = _extent(
        mean(x * x) - middle_x**2, mean(y * y) - middle_y**2, mean(x * y) - middle_x * middle_y
    )
    around = np.asarray(cv2.boxFilter(flank.grey, cv2.CV_32F, (15, 15)))
    square = np.asarray(cv2.sqrBoxFilter(flank.grey, cv2.CV_32F, (15, 15)))
    around, square = around[y, x], square[y, x]
    unrest = np.sqrt(np.maximum(square - around**2, 0))
    edge = cv2.morphologyEx(flank.grey, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))[y, x]
    darkest = np.zeros(len(kept))
    np.maximum.at(darkest, mark, dark)
    at, to = _along(flank, middle_x, middle_y)
    usual_grey, contrast = _usual(flank.grey[flank.inside])
    darkness = mean(dark)
    strength = -darkness * np.sqrt(n)
    order = np.argsort(strength)
    rank = np.argsort(order)
    same = np.ones(len(kept))
    rows = np.column_stack(
        [
            *(n, length, width, length / width, np.abs(np.sin(angle - np.arctan2(flank.axis[1], flank.axis[0])))),
            *(darkness, darkest, darkness / (levels[1] + 1), rank, np.abs(at - 0.5), to),
            *((mean(grey) - usual_grey) / contrast, n / (length * width), mean(unrest) / (darkness + 1)),
            *((mean(around) - usual_grey) / contrast, same * len(kept), same * contrast, same * flank.long),
            *(mean(edge) / (darkness + 1), same * levels[0], mean(flank.depth[y, x]), at),
        ]
    )
    shown = order[:AT_MOST]
    return rows[shown], np.column_stack([middle_x, middle_y])[shown]


def _usual(body: Grey) -> tuple[float, float]:
    """Median of grey levels, and their standard deviation and 1."""
    counts = np.bincount(body, minlength=256)
    levels, up_to = np.arange(256), np.cumsum(counts)
    middle = np.searchsorted(up_to, [(up_to[-1] + 1) // 2, up_to[-1] // 2 + 1])
    mean = counts @ levels / up_to[-1]
    return float(middle.mean()), float(np.sqrt(counts @ (levels - mean) ** 2 / up_to[-1])) + 1


def _extent(xx: Plane, yy: Plane, xy: Plane) -> tuple[Plane, Plane, Plane]:
    """Length, width and angle of bars that have these second moments."""
    xx, yy = xx + 1 / 12, yy + 1 / 12
    root = np.hypot(xx - yy, 2 * xy)
    length, width = (2 * np.sqrt(1.5 * np.maximum(xx + yy + sign * root, 0.1)) for sign in (1, -1))
    return length, width, 0.5 * np.arctan2(2 * xy, xx - yy)


def _along(flank: _Flank, x: Plane, y: Plane) -> tuple[Plane, Plane]:
    """Where points lie along the body, 0 to 1, and how far beside its axis, in parts of its length."""
    rows, columns = np.nonzero(flank.inside[::2, ::2])
    columns, rows = 2 * columns, 2 * rows
    (ax, ay), cx, cy = flank.axis, columns.mean(), rows.mean()
    along = (columns - cx) * ax + (rows - cy) * ay
    low, length = float(along.min()), float(np.ptp(along)) + 1
    return ((x - cx) * ax + (y - cy) * ay - low) / length, ((y - cy) * ax - (x - cx) * ay) / length


def _axis(mask: Mask) -> tuple[float, float]:
    """Unit vector along a body, pointing right."""
    moments = cv2.moments(mask.astype(np.uint8), binaryImage=True)
    angle = 0.5 * np.arctan2(2 * moments["mu11"], moments["mu20"] - moments["mu02"])
    return float(np.cos(angle)), float(np.sin(angle))


@cache
def _disc() -> Grey:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (WIDEST, WIDEST)), dtype=np.uint8)
