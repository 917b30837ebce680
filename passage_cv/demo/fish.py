"""Draw one straight fish from its traits, seen from the side or from above."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from passage_cv.demo.anatomy import PairedFin, RayFin, Shape
from passage_cv.demo.body import SIDE_LIGHT, TOP_LIGHT, Contour, Girth, paint_body
from passage_cv.demo.canvas import Canvas, shifted
from passage_cv.demo.coats import COATS, Coat
from passage_cv.demo.fins import lay_out_paired_fin, lay_out_ray_fin, lay_out_tail, paint_fin
from passage_cv.demo.flank import ROWS, Rgb, draw_flank
from passage_cv.demo.head import paint_barbels, paint_head, smooth
from passage_cv.demo.scutes import paint_scutes, paint_scutes_above
from passage_cv.demo.shapes import SHAPES
from passage_cv.demo.species import Fish


@dataclass(frozen=True, slots=True)
class Carriage:
    """How a fish carries its fins: 1 spread, 0 folded away."""

    dorsal: float = 1.0
    anal: float = 1.0
    pectoral: float = 1.0
    pelvic: float = 1.0
    tail: float = 1.0


def draw_carriage(rng: np.random.Generator) -> Carriage:
    """Draw a carriage: mostly half open, and now and then a fin that tells the species is folded away."""
    dorsal, anal, pectoral, pelvic = (
        float(rng.beta(0.8, 2.0)) * 0.5 if rng.random() < hidden else float(rng.uniform(0.45, 1.0))
        for hidden in (0.20, 0.25, 0.25, 0.30)
    )
    return Carriage(dorsal, anal, pectoral, pelvic, float(rng.uniform(0.70, 1.05)))


@lru_cache(maxsize=8)
def _flank(fish: Fish, side: int) -> Rgb:
    return draw_flank(fish, side)


def draw_side(fish: Fish, side: int, carriage: Carriage, scale: float, rng: np.random.Generator) -> Canvas:
    """Draw a fish from its left (``side`` 0) or right side, head to the left in both.

    ``scale`` is pixels per total length.
    """
    shape, coat = SHAPES[fish.code], COATS[fish.code]
    girth = _own_girth(fish, shape)
    canvas = _sheet(shape, scale)
    pectoral, pelvic = shape.pectoral, shape.pelvic
    if pelvic is not None and carriage.pelvic > 0.05:
        _paint_paired(canvas, _on_body(pelvic, girth, 0.012), coat, carriage.pelvic, rng, dim=0.72)
    for fin in shape.fins:
        _paint_median(canvas, fin, girth, coat, fish.code, carriage, rng)
    _paint_tail(canvas, shape, girth, coat, fish.code, carriage, rng)
    _paint_adipose(canvas, shape, girth, coat)
    paint_body(canvas, girth, _flank(fish, side), shape, coat, SIDE_LIGHT, rng)
    _paint_lateral_line(canvas, girth, shape, fish.code)
    if fish.code == "SNS":
        paint_scutes(canvas, girth, rng)
    paint_head(canvas, girth, shape, coat)
    if pelvic is not None and carriage.pelvic > 0.05:
        _paint_paired(canvas, _on_body(pelvic, girth, 0.0), coat, carriage.pelvic, rng)
    if pectoral is not None:
        _paint_paired(canvas, _on_body(pectoral, girth, 0.0), coat, carriage.pectoral, rng, fold=True)
    paint_barbels(canvas, shape.head.barbels, coat, rng)
    return canvas


def _own_girth(fish: Fish, shape: Shape) -> Girth:
    """The animal's own build: slimmer or stouter by some per cent, more so at the belly."""
    own = np.random.default_rng([fish.seed, 5])
    return Girth(
        Contour(shape.back, float(1 + own.normal(0, 0.035))), Contour(shape.belly, float(1 + own.normal(0, 0.05)))
    )


def _sheet(shape: Shape, scale: float) -> Canvas:
    """A canvas with room for every fin of the shape."""
    tall = max([height for fin in shape.fins for _, height in fin.height], default=0.01)
    above = max(y for _, y in shape.back) + tall + 0.02
    below = -min(y for _, y in shape.belly) + max(tall, shape.pelvic.length if shape.pelvic else 0) + 0.02
    if shape.tail is not None:
        above, below = max(above, shape.tail.spread + 0.03), max(below, shape.tail.spread + 0.03)
    return Canvas(scale, above=above, below=below)


def _on_body(fin: PairedFin, girth: Girth, forward: float) -> PairedFin:
    """Move a paired fin's root onto the animal's own body."""
    t, y = fin.at
    low = float(girth.lower(t))
    return PairedFin((t - forward, max(y, low + 0.004)), fin.length, fin.breadth, fin.angle, fin.rays, fin.roundness)


def _paint_paired(
    canvas: Canvas,
    fin: PairedFin,
    coat: Coat,
    spread: float,
    rng: np.random.Generator,
    *,
    dim: float = 1.0,
    fold: bool = False,
) -> None:
    angle = fin.angle * (0.25 + 0.9 * spread) + float(rng.normal(0, 4))
    rays = lay_out_paired_fin(fin, angle=angle, spread=0.35 + 0.65 * spread)
    alpha = coat.fin_alpha * (0.55 + 0.45 * spread if fold else 1.0)
    paint_fin(canvas, rays, coat, rng, alpha=alpha, dim=dim)


_FIN_MARKS = {"NSH": (0.10, 0.45), "BOW": (0.38, 0.14)}
"""Strength of bands and of blotches on the unpaired fins."""


def _paint_median(
    canvas: Canvas, fin: RayFin, girth: Girth, coat: Coat, code: str, carriage: Carriage, rng: np.random.Generator
) -> None:
    profile, spread = (girth.upper, carriage.dorsal) if fin.edge == "back" else (girth.lower, carriage.anal)
    bands, blotches = _FIN_MARKS.get(code, (0.0, 0.0))
    rays = lay_out_ray_fin(fin, profile, spread)
    paint_fin(canvas, rays, coat, rng, alpha=coat.fin_alpha, bands=bands, blotches=blotches)


def _paint_tail(
    canvas: Canvas, shape: Shape, girth: Girth, coat: Coat, code: str, carriage: Carriage, rng: np.random.Generator
) -> None:
    if shape.tail is None:
        return
    halves = (float(girth.upper(shape.tail.start)), -float(girth.lower(shape.tail.start)))
    bands, blotches = _FIN_MARKS.get(code, (0.0, 0.0))
    rays = lay_out_tail(shape.tail, halves, carriage.tail)
    paint_fin(canvas, rays, coat, rng, alpha=min(1.0, coat.fin_alpha + 0.12), bands=bands, blotches=blotches)


def _paint_adipose(canvas: Canvas, shape: Shape, girth: Girth, coat: Coat) -> None:
    """The small fleshy fin on a catfish's back."""
    if shape.adipose is None:
        return
    t, height = shape.adipose
    y = float(girth.upper(t))
    outline = np.array(
        [
            (t - 0.035, y),
            (t - 0.01, y + 0.45 * height),
            (t + 0.022, y + 0.95 * height),
            (t + 0.038, y + 0.80 * height),
            (t + 0.030, y + 0.35 * height),
            (t + 0.022, y - 0.012),
            (t - 0.03, y - 0.01),
        ]
    )
    canvas.fill(outline, colour=tuple(np.array(coat.fin) / 255 * 0.85), alpha=0.92, blur=0.8)
    canvas.stroke(outline[1:5], colour=tuple(np.array(coat.fin_dark) / 255), width=0.0025, alpha=0.5, blur=0.5)


_LATERAL_LINES = {"AMS", "GZS", "ASE"}
"""Herrings have none on the body, and the swamp eel's hardly shows."""


def _paint_lateral_line(canvas: Canvas, girth: Girth, shape: Shape, code: str) -> None:
    if code in _LATERAL_LINES or code == "SNS":
        return
    t = np.linspace(shape.head.length, girth.upper.end - 0.01, 40)
    upper, lower = girth.upper(t), girth.lower(t)
    part = 0.60 - 0.10 * np.clip((t - shape.head.length) / 0.25, 0, 1)
    y = lower + part * (upper - lower)
    line = np.stack([t, y], axis=1)
    canvas.stroke(line, colour=(0.08, 0.07, 0.05), width=0.0024, alpha=0.30, blur=0.4)
    canvas.stroke(shifted(line, 0, 0.0028), colour=(1, 1, 0.95), width=0.002, alpha=0.10, blur=0.4)


def draw_above(fish: Fish, carriage: Carriage, scale: float, rng: np.random.Generator) -> Canvas:
    """Draw a fish from above, head to the left."""
    shape, coat = SHAPES[fish.code], COATS[fish.code]
    own = np.random.default_rng([fish.seed, 6])
    stretch = float(1 + own.normal(0, 0.05))
    width = Contour(shape.width, stretch)
    girth = Girth(width, Contour(tuple((t, -w) for t, w in shape.width), stretch))
    canvas = Canvas(scale, above=0.26, below=0.26) if shape.pectoral else Canvas(scale, above=0.08, below=0.08)
    _paint_tail_edge(canvas, shape, coat)
    for mirror in (1.0, -1.0):
        _paint_spread_pair(canvas, shape, width, coat, carriage, mirror, rng)
    backs = np.concatenate([_flank(fish, 0)[ROWS // 2 - 1 :: -1], _flank(fish, 1)[: ROWS // 2]])
    paint_body(canvas, girth, backs, shape, coat, TOP_LIGHT, rng)
    if fish.code == "SNS":
        paint_scutes_above(canvas, width, rng)
    _paint_ridges(canvas, shape, coat, carriage)
    _paint_head_above(canvas, shape, width, coat)
    return canvas


def _paint_spread_pair(
    canvas: Canvas,
    shape: Shape,
    width: Contour,
    coat: Coat,
    carriage: Carriage,
    mirror: float,
    rng: np.random.Generator,
) -> None:
    for fin, spread, out in ((shape.pelvic, carriage.pelvic, 0.75), (shape.pectoral, carriage.pectoral, 0.95)):
        if fin is None:
            continue
        t = fin.at[0]
        side = float(width(t)) * out
        placed = PairedFin((t, -mirror * side), fin.length, fin.breadth, 0, fin.rays, fin.roundness)
        angle = 12 + 50 * spread + float(rng.normal(0, 6))
        rays = lay_out_paired_fin(placed, angle=angle, spread=0.4 + 0.6 * spread, mirror=mirror)
        paint_fin(canvas, rays, coat, rng, alpha=coat.fin_alpha)


def _paint_tail_edge(canvas: Canvas, shape: Shape, coat: Coat) -> None:
    """The tail fin from above: a blade."""
    start = shape.tail.start if shape.tail else 0.84
    places, halves = np.array(shape.width).T
    root = float(np.interp(start, places, halves))
    blade = np.array(
        [
            (start - 0.05, root),
            (start + 0.04, 0.55 * root),
            (1.0, 0.0025),
            (1.0, -0.0025),
            (start + 0.04, -0.55 * root),
            (start - 0.05, -root),
        ]
    )
    canvas.fill(blade, colour=tuple(np.array(coat.fin) / 255 * 0.9), alpha=0.9, blur=0.6)
    canvas.stroke(
        np.array([(start, 0.0), (1.0, 0.0)]),
        colour=tuple(np.array(coat.fin_dark) / 255),
        width=0.003,
        alpha=0.6,
        blur=0.5,
    )


def _paint_ridges(canvas: Canvas, shape: Shape, coat: Coat, carriage: Carriage) -> None:
    """Fins of the back from above: a dark line with its rays' tips to one side."""
    for fin in shape.fins:
        if fin.edge == "belly":
            continue
        t = np.linspace(*fin.base, 30)
        lean = 0.10 * max(height for _, height in fin.height) * carriage.dorsal
        ridge = np.stack([t, lean * np.sin(np.linspace(0, np.pi, 30))], axis=1)
        canvas.stroke(ridge, colour=tuple(np.array(coat.fin_dark) / 255 * 0.8), width=0.006, alpha=0.75, blur=0.7)
        canvas.stroke(
            shifted(ridge, 0, 0.003), colour=tuple(np.array(coat.fin) / 255), width=0.003, alpha=0.5, blur=0.5
        )
    if shape.adipose is not None:
        at = shape.adipose[0]
        canvas.stroke(
            np.array([(at - 0.03, 0.0), (at + 0.035, 0.0)]),
            colour=tuple(np.array(coat.fin_dark) / 255),
            width=0.007,
            alpha=0.7,
            blur=0.8,
        )


def _paint_head_above(canvas: Canvas, shape: Shape, width: Contour, coat: Coat) -> None:
    """Eyes at the edges of the head, the gill covers' rims, nostrils, whiskers."""
    head = shape.head
    t, _, radius = head.eye
    half = float(width(t))
    for side in (1.0, -1.0):
        canvas.disc((t, side * half * 0.86), 1.15 * radius, (0.05, 0.05, 0.05), alpha=0.5, blur=0.8, squash=0.6)
        canvas.disc((t, side * half * 0.90), 0.85 * radius, (0.03, 0.03, 0.03), alpha=0.9, blur=0.5, squash=0.6)
        canvas.disc((head.nostril[0], side * half * 0.40), 0.003, (0.04, 0.04, 0.04), alpha=0.7, blur=0.5)
        if head.gill == "plate":
            back = float(width(head.length))
            rim = np.array(
                [
                    (head.length - 0.05, side * 0.35 * back),
                    (head.length - 0.01, side * 0.7 * back),
                    (head.length, side * 0.95 * back),
                ]
            )
            canvas.stroke(rim, colour=(0.05, 0.05, 0.04), width=0.004, alpha=0.45, blur=0.7)
        for barbel in head.barbels[1:2] if shape.adipose else ():
            root = float(width(barbel.root[0]))
            long = barbel.tip[0] - barbel.root[0]
            points = ((0.0, root), (0.25 * long, root + 0.045), (long, root + 0.07))
            line = smooth([(barbel.root[0] + t, side * y) for t, y in points])
            canvas.stroke(line, colour=tuple(np.array(coat.fin_dark) / 255), width=0.004, alpha=0.85, blur=0.4)
