"""Paint the body: the flank wrapped round it, light and shade, scales and shine."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from passage_cv.demo.anatomy import Line, Shape
from passage_cv.demo.canvas import Canvas, Floats
from passage_cv.demo.coats import Coat
from passage_cv.demo.flank import COLUMNS
from passage_cv.demo.textures import glint_table, noise, scale_owners, scale_tile

Rgb = npt.NDArray[np.uint8]
SCALES_ALONG = 78
"""Scales from snout to tail tip; about 60 to 70 in a lateral line (from memory of general field guides)."""


class Contour:
    """A smooth line through (t, y) points, steep at the snout as a real one is."""

    def __init__(self, line: Line, stretch: float = 1.0) -> None:
        self.end = line[-1][0]
        self._places, heights = _tabulated(line)
        self._heights = heights * stretch

    def __call__(self, t: npt.NDArray[np.floating] | float) -> npt.NDArray[np.float64]:
        """Height at each t, held level beyond both ends."""
        return np.asarray(np.interp(np.sqrt(np.maximum(t, 0)), self._places, self._heights))


@cache
def _tabulated(line: Line) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Square roots of t, and heights there, dense enough for straight lines between."""
    t, y = np.array(line).T
    places = np.linspace(0, np.sqrt(t[-1]), 400)
    return places, np.asarray(PchipInterpolator(np.sqrt(t), y)(places))


@dataclass(frozen=True, slots=True)
class Girth:
    """The body as the camera sees it: one contour above the axis and one below."""

    upper: Contour
    lower: Contour


@dataclass(frozen=True, slots=True)
class Light:
    """Lamp direction for a view: shares from above, from the camera's side, from all round, from the floor."""

    above: float
    front: float
    ambient: float
    floor: float = 0.0


SIDE_LIGHT = Light(above=0.50, front=0.50, ambient=0.46, floor=0.42)
TOP_LIGHT = Light(above=0.0, front=0.62, ambient=0.44)


def paint_body(
    canvas: Canvas, girth: Girth, flank: Rgb, shape: Shape, coat: Coat, light: Light, rng: np.random.Generator
) -> None:
    """Paint the body.

    ``flank`` covers what is seen from the upper contour (first row) to the lower one (last row).
    """
    t = canvas.columns()
    upper, lower = (contour(t).astype(np.float32) for contour in (girth.upper, girth.lower))
    rows = slice(
        max(0, canvas.y0 - int(upper.max() * canvas.scale) - 3), canvas.y0 - int(lower.min() * canvas.scale) + 3
    )
    region = (rows, slice(canvas.x0 - 1, canvas.x0 + int(girth.upper.end * canvas.scale) + 1))
    t, upper, lower = (values[region[1]] for values in (t, upper, lower))
    half = np.maximum(0.5 * (upper - lower), np.float32(1e-4))
    v = (0.5 * (upper + lower) - canvas.rows()[rows][:, None]) / half
    mask = _coverage(v, half, t, girth.upper.end, canvas.scale)
    v = np.clip(v, -1, 1)
    step = ((v + 1) * np.float32(0.5 * (len(_STEPS) - 1))).astype(np.int32)
    angle = _ANGLES[step]
    front = np.sqrt(1 - v * v)
    relief, glint = _scales(t, angle, front, shape, coat)
    snout = (0.80 + 0.20 * np.clip(t / 0.035, 0, 1)).astype(np.float32)
    lit = _brightness(light)[step] * snout * (1 + np.float32(0.30 * coat.scales) * relief)
    shine = _shine(v, front, relief, glint, coat, light, rng)
    albedo = cv2.split(_wrap(flank, t, angle))
    canvas.paint(region, [np.minimum(plane * lit * np.float32(1 / 255) + shine, 1) for plane in albedo], mask)


def _coverage(v: Floats, half: Floats, t: Floats, end: float, scale: float) -> Floats:
    """Share of each pixel inside the contour; where a tail fin follows, the skin runs out onto it."""
    inside = np.clip((1 - np.abs(v)) * (half * scale) + 0.5, 0, 1)
    snout = np.clip(t * scale + 0.5, 0, 1)
    root = np.clip((end - 0.016 * v * v - t) / 0.020, 0, 1) if end < 0.95 else 1.0
    return np.asarray(inside * snout * root, np.float32)


def _wrap(flank: Rgb, t: Floats, angle: Floats) -> Rgb:
    """Look the flank up at each pixel's place on the body."""
    columns = np.broadcast_to(np.clip(t, 0, 1) * (COLUMNS - 1), angle.shape).astype(np.float32)
    rows = (angle + 1) * np.float32(0.5 * (flank.shape[0] - 1))
    return np.asarray(cv2.remap(flank, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _scales(t: Floats, angle: Floats, front: Floats, shape: Shape, coat: Coat) -> tuple[Floats, Floats]:
    """Relief of the scales and how each single one catches the light; zeros for a bare skin."""
    if coat.scales == 0:
        flat = np.zeros_like(angle)
        return flat, flat
    u = np.broadcast_to(t * np.float32(SCALES_ALONG), angle.shape)
    w = (angle + 1) * np.float32(0.5 * shape.scale_rows)
    x, y = u * np.float32(64), w * np.float32(32)
    relief = cv2.remap(scale_tile(), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    on_body = np.clip((t - 0.92 * shape.head.length) / 0.03, 0, 1)
    covered = np.maximum(on_body, coat.head_scales * (t > 0.05)).astype(np.float32) * np.minimum(front * 1.6, 1)
    if coat.silver < 0.2:
        return relief * covered, np.zeros_like(angle)
    owner = scale_owners()[y.astype(np.int32) & 63, x.astype(np.int32) & 63]
    row = 2 * (w * 0.5).astype(np.int32) + (owner & 3)
    glint = glint_table()[row & 63, (u.astype(np.int32) + (owner >> 2)) & 255]
    return relief * covered, glint * covered


_STEPS = np.linspace(-1, 1, 1024)
_ANGLES = np.asarray(np.arcsin(_STEPS) * (2 / np.pi), np.float32)
"""Places across the body, -1 at the upper contour to 1 at the lower one, and the skin's angle there."""


@cache
def _brightness(light: Light) -> Floats:
    """Brightness at each of the steps: lamps above and before, all round, the floor's reflection below."""
    front = np.sqrt(1 - _STEPS**2)
    lamp = np.clip(-_STEPS * light.above + front * light.front, 0, None)
    floor = light.floor * np.clip(_STEPS, 0, 1) ** 1.5
    limb = 0.72 + 0.28 * np.sqrt(front)
    return np.asarray((light.ambient + 0.78 * lamp + floor) * limb, np.float32)


def _shine(
    v: Floats, front: Floats, relief: Floats, glint: Floats, coat: Coat, light: Light, rng: np.random.Generator
) -> Floats:
    """Highlights of a wet body: a broken streak along the upper side, and single scales that flash."""
    height, width = v.shape
    broken = noise((height, width), (max(8.0, 0.10 * width), max(4.0, 0.06 * width)), rng, octaves=3)
    place = -0.50 if light.above > 0 else 0.0
    streak = np.exp(-(((v - place - 0.05 * broken) / 0.13) ** 2)) * np.clip(0.55 + 0.45 * broken, 0, 1.3)
    sheen = coat.silver * front * (0.05 * glint + 0.05 * relief + 0.035 * broken)
    return np.asarray(0.30 * coat.gloss * streak * (1 + 0.5 * coat.scales * relief) + sheen, np.float32)
