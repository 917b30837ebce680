"""The bony plates of a sturgeon: five rows, of which three show from one side."""

from __future__ import annotations

import numpy as np

from passage_cv.demo.body import Contour, Girth
from passage_cv.demo.canvas import Canvas, Points, shifted

_ROWS = (
    # share of the body's depth (0 belly, 1 back), first and last t, number, size; counts from memory of field
    # guides: 8 to 13 on the back, 22 to 33 on the side, 6 to 11 on the belly
    (0.985, 0.24, 0.69, 11, 0.0245),
    (0.47, 0.235, 0.86, 29, 0.0100),
    (0.10, 0.28, 0.60, 8, 0.012),
)


def paint_scutes(canvas: Canvas, girth: Girth, rng: np.random.Generator) -> None:
    """Paint the rows of plates, each a pale keeled diamond with a dark hind edge."""
    for part, first, last, count, size in _ROWS:
        plates = []
        for t in np.linspace(first, last, count) + rng.normal(0, 0.0012, count):
            low, high = float(girth.lower(t)), float(girth.upper(t))
            own = size * (0.55 + 0.45 * (high - low) / 0.128)
            plates.append(np.array([t, low + part * (high - low)]) + own * (_KEEL if part > 0.9 else _DIAMOND))
        _paint_plates(canvas, plates, 0.3 * size)


def paint_scutes_above(canvas: Canvas, width: Contour, rng: np.random.Generator) -> None:
    """From above: the row of the back down the middle, those of the sides along both edges."""
    plates = []
    for t in np.linspace(0.24, 0.68, 10) + rng.normal(0, 0.001, 10):
        plates.append(np.array([t, 0.0]) + 0.019 * float(width(t)) / 0.070 * _FLAT)
    for t in np.linspace(0.235, 0.84, 27):
        half = float(width(t))
        size = 0.009 * (0.4 + 0.6 * half / 0.070)
        plates += [np.array([t, side * 0.86 * half]) + size * _FLAT for side in (1.0, -1.0)]
    _paint_plates(canvas, plates, 0.003)


_KEEL = np.array([(-1, -0.28), (0.20, 0.24), (0.66, 0.30), (0.80, -0.34)])
_DIAMOND = np.array([(-0.55, 0), (0.1, 0.95), (0.70, 0), (0.1, -0.95)])
_FLAT = np.array([(-0.9, 0), (0, 0.6), (0.8, 0), (0, -0.6)])
"""A plate of the back from the side, of the side or belly from the side, and any from above."""


def _paint_plates(canvas: Canvas, plates: list[Points], shadow: float) -> None:
    """Shadow, plate, its bright keel, its dark hind edge."""
    canvas.fill(
        *(shifted(plate, shadow, -0.8 * shadow) for plate in plates), colour=(0.08, 0.07, 0.06), alpha=0.30, blur=1.0
    )
    canvas.fill(*plates, colour=(0.56, 0.50, 0.41), alpha=0.70, blur=0.5)
    canvas.stroke(*(plate[[0, 2]] for plate in plates), colour=(0.80, 0.75, 0.66), width=0.0022, alpha=0.45, blur=0.4)
    canvas.stroke(*(plate[2:] for plate in plates), colour=(0.14, 0.12, 0.10), width=0.0016, alpha=0.45, blur=0.4)
