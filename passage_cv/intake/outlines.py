"""The outline of what stands before a fixed camera, in numbers: two fish have more ends and dents than one.

Comes in: the bodies found in a sketch. Goes out: a row of numbers, of which ``trees`` has learnt what two fish give.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.intake.sketches import Body, Grey, Plane

SHAPES = (
    *("area", "area of the second", "bodies", "length over width", "filled hull", "length", "thickness"),
    *("thickness over length", "runs in a column", "most runs in a column", "columns of two runs"),
    *(
        "roundness",
        "dent",
        "second dent",
        "steepness",
        "at the frame",
        "height over length",
        "unevenness",
        "flatness",
    ),
    *("area of all", "length over width of the second", "middle thickness", "filled box", "thinner end", "both ends"),
    *("second core at 0.4", "distance at 0.4", "second core at 0.6", "distance at 0.6", "distance of the second"),
)
"""What :func:`shape_numbers` gives."""


def shape_numbers(bodies: Sequence[Body]) -> Plane:
    """Numbers of the largest body and of how the others lie to it, float64 (30,), as named in ``SHAPES``."""
    first = bodies[0]
    grey = first.mask.astype(np.uint8)
    outlines, _ = cv2.findContours(grey, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = np.asarray(max(outlines, key=len), dtype=np.int32)
    _, sides, _ = cv2.minAreaRect(outline)
    length, width = max(sides) + 1, min(sides) + 1
    hull = cv2.contourArea(cv2.convexHull(outline)) + 1
    roundness = cv2.arcLength(outline, closed=True) ** 2 / first.area
    columns = grey.sum(axis=0).astype(np.float64)
    runs = grey[0] + ((grey[1:] == 1) & (grey[:-1] == 0)).sum(axis=0)
    dents = [dent / width for dent in _dents(outline)]
    steep, flat, thin, ends = _spread(first.mask)
    second = bodies[1] if len(bodies) > 1 else None
    return np.array(
        [
            *(first.area, second.area if second else 0, len(bodies), length / width, first.area / hull, length),
            *(columns.max(), columns.max() / length, runs.mean(), runs.max(), (runs > 1).mean()),
            *(roundness, *dents, steep, first.at_frame, grey.shape[0] / length, columns.std() / columns.mean(), flat),
            *(sum(body.area for body in bodies), second.slender if second else 0),
            *(np.median(columns) / columns.max(), first.area / (length * width), thin, ends),
            *(*_cores(grey, 0.4, length), *_cores(grey, 0.6, length), _apart(first, second) / length),
        ],
        dtype=np.float64,
    )


def _dents(outline: npt.NDArray[np.int32]) -> tuple[float, float]:
    """Depths of the two deepest dents of an outline, in pixels."""
    hull = np.sort(cv2.convexHull(outline, returnPoints=False), axis=0)[::-1]
    found = cv2.convexityDefects(outline, np.ascontiguousarray(hull)) if len(hull) > 3 else None
    depths = sorted((found.reshape(-1, 4)[:, 3] / 256).tolist(), reverse=True) if found is not None else []
    first, second = [*depths, 0.0, 0.0][:2]
    return first, second


def _spread(mask: npt.NDArray[np.bool_]) -> tuple[float, float, float, float]:
    """Sine of the axis, breadth over length of the moments, and the share of the area in the eighths at the ends."""
    y, x = np.nonzero(mask)
    values, vectors = np.linalg.eigh(np.cov(x, y))
    along = (x - x.mean()) * vectors[0, 1] + (y - y.mean()) * vectors[1, 1]
    share = np.bincount((8 * (along - along.min()) / (np.ptp(along) + 1)).astype(int), minlength=8) / len(along)
    return abs(float(vectors[1, 1])), float(values[0] / values[1]), min(share[0], share[7]), share[0] + share[7]


def _cores(grey: Grey, share: float, length: float) -> tuple[float, float]:
    """Of what is left where the rim is taken away: area of the second piece over the first, and their distance."""
    depth = np.asarray(cv2.distanceTransform(_rimmed(grey), cv2.DIST_L2, 3))
    _, _, stats, middles = cv2.connectedComponentsWithStats((depth > share * depth.max()).astype(np.uint8))
    order = 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA])
    if len(order) < 2:
        return 0.0, 0.0
    first, second = order[:2]
    apart = float(np.hypot(*(middles[first] - middles[second]))) / length
    return float(stats[second, cv2.CC_STAT_AREA] / stats[first, cv2.CC_STAT_AREA]), apart


def _rimmed(grey: Grey) -> Grey:
    return np.asarray(cv2.copyMakeBorder(grey, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0), dtype=np.uint8)


def _apart(first: Body, second: Body | None) -> float:
    """Pixels between the middles of the boxes of two bodies."""
    if second is None:
        return 0.0
    one, other = (
        np.array([body.left + body.mask.shape[1] / 2, body.top + body.mask.shape[0] / 2]) for body in (first, second)
    )
    return float(np.hypot(*(one - other)))
