"""The bony plates of a sturgeon: five rows, of which three show from one side."""

from __future__ import annotations

import numpy as np

from passage_cv.demo.body import Contour, Girth
from passage_cv.demo.canvas import Canvas, shifted

_ROWS = (
    # share of the body's depth (0 belly, 1 back), first and last t, number, size; counts from memory of field
    # guides: 8 to 13 on the back, 22 to 33 on the side, 6 to 11 on the belly
    (0.985, 0.24, 0.68, 10, 0.021),
    (0.47, 0.235, 0.86, 29, 0.0100),
    (0.10, 0.28, 0.60, 8, 0.012),
)


def paint_scutes(canvas: Canvas, girth: Girth, rng: np.random.Generator) -> None:
    """Paint the rows of plates, each a pale keeled diamond with a dark hind edge."""
    for part, first, last, count, size in _ROWS:
        for t in np.linspace(first, last, count):
            low, high = (float(contour(np.array([t]))[0]) for contour in (girth.lower, girth.upper))
            y = low + part * (high - low)
            shrink = 0.55 + 0.45 * (high - low) / 0.128
            _paint_scute(canvas, t + float(rng.normal(0, 0.0012)), y, size * shrink, ridge=part > 0.9)


def _paint_scute(canvas: Canvas, t: float, y: float, size: float, *, ridge: bool) -> None:
    """One plate: on the back a low keel that ends in a blunt hook, elsewhere an upright diamond."""
    if ridge:
        plate = np.array(
            [
                (t - size, y - 0.30 * size),
                (t + 0.25 * size, y + 0.36 * size),
                (t + 0.62 * size, y + 0.30 * size),
                (t + 0.72 * size, y - 0.40 * size),
            ]
        )
    else:
        plate = np.array(
            [
                (t - 0.55 * size, y),
                (t + 0.1 * size, y + 0.95 * size),
                (t + 0.70 * size, y),
                (t + 0.1 * size, y - 0.95 * size),
            ]
        )
    canvas.fill(shifted(plate, 0.3 * size, -0.25 * size), (0.08, 0.07, 0.06), alpha=0.30, blur=1.0)
    canvas.fill(plate, (0.56, 0.50, 0.41), alpha=0.70, blur=0.5)
    canvas.stroke([plate[[0, 2]]], (0.80, 0.75, 0.66), width=0.0022, alpha=0.45, blur=0.4)
    canvas.stroke([plate[2:]], (0.14, 0.12, 0.10), width=0.0016, alpha=0.45, blur=0.4)


def paint_scutes_above(canvas: Canvas, width: Contour, rng: np.random.Generator) -> None:
    """From above: the row of the back down the middle, those of the sides along both edges."""
    for t in np.linspace(0.24, 0.68, 10):
        _paint_diamond(canvas, t + float(rng.normal(0, 0.001)), 0.0, 0.019 * float(width(np.array([t]))[0]) / 0.070)
    for side in (1.0, -1.0):
        for t in np.linspace(0.235, 0.84, 27):
            half = float(width(np.array([t]))[0])
            _paint_diamond(canvas, t, side * 0.86 * half, 0.009 * (0.4 + 0.6 * half / 0.070))


def _paint_diamond(canvas: Canvas, t: float, y: float, size: float) -> None:
    plate = np.array([(t - 0.9 * size, y), (t, y + 0.6 * size), (t + 0.8 * size, y), (t, y - 0.6 * size)])
    canvas.fill(plate, (0.54, 0.48, 0.39), alpha=0.65, blur=0.5)
    canvas.stroke([plate[[0, 2]]], (0.80, 0.75, 0.66), width=0.0022, alpha=0.45, blur=0.4)
