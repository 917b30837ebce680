"""Paint the head as seen from the side: gill cover, mouth, eye, nostril, whiskers."""

from __future__ import annotations

from functools import cache

import numpy as np

from passage_cv.demo.anatomy import Barbel, Head, Shape
from passage_cv.demo.body import Girth
from passage_cv.demo.canvas import Canvas, Points, shifted, tapered, widened
from passage_cv.demo.coats import Coat

_BLACK = (0.05, 0.05, 0.05)


def paint_head(canvas: Canvas, girth: Girth, shape: Shape, coat: Coat) -> None:
    """Paint the head over the body."""
    head = shape.head
    _GILLS[head.gill](canvas, girth, head, coat)
    _paint_mouth(canvas, head)
    canvas.disc(head.nostril, 0.0032, _BLACK, alpha=0.75, blur=0.5)
    _paint_eye(canvas, head.eye, coat)


def smooth(points: list[tuple[float, float]], count: int = 24) -> Points:
    """A smooth line through a few points (Catmull-Rom)."""
    return np.asarray(_blending(len(points), max(2, count // (len(points) - 1))) @ np.array(points, float))


@cache
def _blending(count: int, steps: int) -> Points:
    """Weight of each of ``count`` given points in each point of the smooth line, ``steps`` a span."""
    s = np.linspace(0, 1, steps)
    weights = 0.5 * np.stack([-s + 2 * s**2 - s**3, 2 - 5 * s**2 + 3 * s**3, s + 4 * s**2 - 3 * s**3, s**3 - s**2])
    table = np.zeros((count - 1, steps, count))
    for span in range(count - 1):
        for place, weight in zip(range(span - 1, span + 3), weights, strict=True):
            table[span, :, min(max(place, 0), count - 1)] += weight
    return table.reshape(-1, count)


def _across(girth: Girth, t: float, part: float) -> float:
    """Height at a share of the body's depth: 0 at the belly, 1 at the back."""
    low, high = (float(contour(t)) for contour in (girth.lower, girth.upper))
    return low + part * (high - low)


def _gap(coat: Coat) -> tuple[float, ...]:
    """Colour of a gap in the skin."""
    return tuple(0.45 * part / 255 for part in coat.dark)


def _paint_gill_plate(canvas: Canvas, girth: Girth, head: Head, coat: Coat) -> None:
    """The gill cover: a rounded plate, a thin gap behind it, and the fold of the cheek before it."""
    back, scale = head.length, canvas.scale
    dark = _gap(coat)
    centre = (0.85 * back, _across(girth, 0.85 * back, 0.50))
    canvas.disc(
        centre, 0.11 * back, (1, 1, 0.96), alpha=0.07 + 0.10 * coat.silver, blur=0.07 * back * scale, squash=1.5
    )
    rim = smooth(
        [
            (back + d, _across(girth, back + d, p))
            for d, p in ((-0.055, 0.84), (-0.016, 0.70), (0.003, 0.48), (-0.010, 0.26), (-0.050, 0.10), (-0.10, 0.02))
        ],
        40,
    )
    canvas.fill(tapered(shifted(rim, 0.007, 0), 0.016), colour=dark, alpha=0.30, blur=0.004 * scale)
    canvas.fill(tapered(rim, 0.0052), colour=dark, alpha=0.72, blur=0.5)
    canvas.fill(tapered(shifted(rim, -0.007, 0), 0.007), colour=(1, 1, 0.95), alpha=0.14, blur=0.002 * scale)
    fold = 0.68 * back
    cheek = smooth(
        [
            (fold + d * back, _across(girth, fold, p))
            for d, p in ((0.0, 0.62), (0.05, 0.46), (0.035, 0.28), (-0.06, 0.16), (-0.22, 0.10))
        ],
        30,
    )
    canvas.fill(tapered(cheek, 0.0045), colour=dark, alpha=0.34, blur=0.0012 * scale)
    canvas.fill(tapered(shifted(cheek, -0.005, 0), 0.006), colour=(1, 1, 0.95), alpha=0.09, blur=0.002 * scale)


def _paint_gill_slit(canvas: Canvas, girth: Girth, head: Head, coat: Coat) -> None:
    """An eel's small gill opening just before the pectoral fin."""
    t = head.length - 0.004
    slit = smooth(
        [
            (t - 0.002, _across(girth, t, 0.52)),
            (t + 0.001, _across(girth, t, 0.36)),
            (t - 0.002, _across(girth, t, 0.20)),
        ]
    )
    canvas.stroke(slit, colour=_gap(coat), width=0.0030, alpha=0.65, blur=0.4)


def _paint_gill_throat(canvas: Canvas, girth: Girth, head: Head, coat: Coat) -> None:
    """A swamp eel's single slit under the throat: from the side only its end and some folds show."""
    t = head.length
    slit = smooth(
        [
            (t + 0.004, _across(girth, t, 0.16)),
            (t - 0.003, _across(girth, t, 0.06)),
            (t - 0.014, _across(girth, t, 0.01)),
        ]
    )
    canvas.stroke(slit, colour=_gap(coat), width=0.0026, alpha=0.55, blur=0.4)
    folds = [
        smooth([(t - d, _across(girth, t - d, 0.34)), (t - d - 0.006, _across(girth, t - d, 0.10))])
        for d in (0.012, 0.022, 0.032)
    ]
    canvas.stroke(*folds, colour=_gap(coat), width=0.0016, alpha=0.20, blur=0.5)


_GILLS = {"plate": _paint_gill_plate, "slit": _paint_gill_slit, "throat": _paint_gill_throat}


def _paint_mouth(canvas: Canvas, head: Head) -> None:
    """The gape with a lighter lip, and the shade under the jaw."""
    gape = smooth(list(head.mouth))
    thick = min(0.0040, 0.026 * head.length)
    canvas.fill(
        tapered(shifted(gape, 0, 1.5 * thick), 2.2 * thick, ends=(0.8, 0.2)),
        colour=(1, 0.97, 0.90),
        alpha=0.10,
        blur=0.8,
    )
    canvas.fill(
        tapered(shifted(gape, 0, -1.6 * thick), 2.4 * thick, ends=(0.8, 0.2)),
        colour=(1, 0.97, 0.90),
        alpha=0.14,
        blur=0.8,
    )
    canvas.fill(tapered(gape, thick, ends=(1.0, 0.3)), colour=(0.07, 0.055, 0.05), alpha=0.70, blur=0.5)
    corner = gape[-1]
    canvas.disc(
        (float(corner[0]), float(corner[1])), 2.2 * thick, (0.07, 0.06, 0.05), alpha=0.22, blur=0.004 * canvas.scale
    )


def _paint_eye(canvas: Canvas, eye: tuple[float, float, float], coat: Coat) -> None:
    """Socket, iris with a lighter inner ring, pupil, highlight."""
    t, y, radius = eye
    iris = np.array(coat.iris) / 255
    soft = radius * canvas.scale
    canvas.disc((t, y), 1.35 * radius, (0.07, 0.06, 0.05), alpha=0.30, blur=0.22 * soft)
    canvas.disc((t, y), 1.04 * radius, tuple(0.35 * iris), alpha=0.9, blur=0.3)
    canvas.disc((t, y), 0.92 * radius, tuple(0.72 * iris), blur=0.3)
    canvas.disc(
        (t - 0.05 * radius, y + 0.08 * radius), 0.76 * radius, tuple(0.98 * iris), alpha=0.8, blur=0.10 * soft
    )
    canvas.disc((t + 0.05 * radius, y), 0.60 * radius, (0.03, 0.03, 0.035), blur=0.3)
    canvas.disc((t - 0.20 * radius, y + 0.32 * radius), 0.14 * radius, (0.94, 0.96, 1.0), alpha=0.8, blur=0.4)


def paint_barbels(canvas: Canvas, barbels: tuple[Barbel, ...], coat: Coat, rng: np.random.Generator) -> None:
    """Whiskers: thick at the root, fine at the tip, each lying a little differently."""
    for barbel in barbels:
        bend, tip = (np.array(point) + rng.normal(0, 0.009, 2) for point in (barbel.bend, barbel.tip))
        line = smooth([barbel.root, tuple(bend), tuple(tip)], 30)
        colour = np.array((214, 206, 190) if barbel.pale else coat.dark) / 255 * (1.0 if barbel.pale else 0.75)
        canvas.fill(
            _whisker(shifted(line, 0.002, -0.003), 1.3 * barbel.thick),
            colour=(0.05, 0.05, 0.05),
            alpha=0.22,
            blur=0.8,
        )
        canvas.fill(_whisker(line, barbel.thick), colour=tuple(colour), alpha=0.92, blur=0.3)


def _whisker(line: Points, thick: float) -> Points:
    """Outline of a line that thins steadily to its tip."""
    return widened(line, thick * np.linspace(1, 0.18, len(line)))
