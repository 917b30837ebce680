"""Draw one straight fish as seen from its left or right side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from passage_cv.demo.anatomy import PairedFin, RayFin, Shape
from passage_cv.demo.body import SIDE_LIGHT, Contour, Girth, paint_body
from passage_cv.demo.canvas import Canvas, shifted
from passage_cv.demo.coats import COATS
from passage_cv.demo.drawing import Carriage, Drawing
from passage_cv.demo.fins import lay_out_paired_fin, lay_out_ray_fin, lay_out_tail, paint_fin
from passage_cv.demo.flank import draw_flank
from passage_cv.demo.head import paint_barbels, paint_head
from passage_cv.demo.scutes import paint_scutes
from passage_cv.demo.shapes import SHAPES
from passage_cv.demo.species import Fish


def draw_side(fish: Fish, side: int, carriage: Carriage, scale: float, rng: np.random.Generator) -> Canvas:
    """Draw a fish from its left (``side`` 0) or right side, head to the left in both.

    ``scale`` is pixels per total length.
    """
    shape, coat = SHAPES[fish.code], COATS[fish.code]
    girth = _own_girth(fish, shape)
    on = Drawing(fish, shape, coat, girth, carriage, _sheet(shape, scale), rng)
    _paint_pelvic(on, forward=0.012, dim=0.72)
    for fin in shape.fins:
        _paint_median(on, fin)
    _paint_tail(on)
    _paint_adipose(on)
    paint_body(on.canvas, girth, draw_flank(fish, side), shape, coat, SIDE_LIGHT, rng)
    _paint_lateral_line(on)
    if fish.code == "SNS":
        paint_scutes(on.canvas, girth, rng)
    paint_head(on.canvas, girth, shape, coat)
    _paint_pelvic(on)
    _paint_pectoral(on)
    paint_barbels(on.canvas, shape.head.barbels, coat, rng)
    return on.canvas


def _own_girth(fish: Fish, shape: Shape) -> Girth:
    """The animal's own build: slimmer or stouter by some per cent, more so at the belly (spent or full of eggs)."""
    own = np.random.default_rng([fish.seed, 5])
    back, belly = 1 + own.normal(0, 0.045), 1 + own.normal(0, 0.07)
    return Girth(Contour(shape.back, float(back)), Contour(shape.belly, float(belly)))


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
    return replace(fin, at=(t - forward, max(y, float(girth.lower(t)) + 0.004)))


def _paint_pelvic(on: Drawing, *, forward: float = 0.0, dim: float = 1.0) -> None:
    """A pelvic fin, unless it lies folded; that of the far side is a little forward, and darker."""
    if on.shape.pelvic is not None and on.carriage.pelvic > 0.05:
        fin = _on_body(on.shape.pelvic, on.girth, forward)
        _paint_paired(on, fin, on.carriage.pelvic, alpha=on.coat.fin_alpha, dim=dim)


def _paint_pectoral(on: Drawing) -> None:
    """The pectoral fin; folded against the side it hardly stands out."""
    if on.shape.pectoral is not None:
        spread = on.carriage.pectoral
        fin = _on_body(on.shape.pectoral, on.girth, 0.0)
        _paint_paired(on, fin, spread, alpha=on.coat.fin_alpha * (0.55 + 0.45 * spread))


def _paint_paired(on: Drawing, fin: PairedFin, spread: float, *, alpha: float, dim: float = 1.0) -> None:
    angle = fin.angle * (0.25 + 0.9 * spread) + float(on.rng.normal(0, 4))
    rays = lay_out_paired_fin(fin, angle=angle, spread=0.35 + 0.65 * spread)
    paint_fin(on.canvas, rays, on.coat, on.rng, alpha=alpha, dim=dim)


_FIN_MARKS = {"NSH": (0.10, 0.45), "BOW": (0.38, 0.14)}
"""Strength of bands and of blotches on the unpaired fins."""


def _paint_median(on: Drawing, fin: RayFin) -> None:
    is_back = fin.edge == "back"
    profile, spread = (on.girth.upper, on.carriage.dorsal) if is_back else (on.girth.lower, on.carriage.anal)
    bands, blotches = _FIN_MARKS.get(on.fish.code, (0.0, 0.0))
    rays = lay_out_ray_fin(fin, profile, spread)
    paint_fin(on.canvas, rays, on.coat, on.rng, alpha=on.coat.fin_alpha, bands=bands, blotches=blotches)


def _paint_tail(on: Drawing) -> None:
    tail = on.shape.tail
    if tail is None:
        return
    halves = (float(on.girth.upper(tail.start)), -float(on.girth.lower(tail.start)))
    bands, blotches = _FIN_MARKS.get(on.fish.code, (0.0, 0.0))
    alpha = min(1.0, on.coat.fin_alpha + 0.12)
    rays = lay_out_tail(tail, halves, on.carriage.tail)
    paint_fin(on.canvas, rays, on.coat, on.rng, alpha=alpha, bands=bands, blotches=blotches)


_ADIPOSE = np.array(
    [(-0.035, 0), (-0.01, 0.45), (0.022, 0.95), (0.038, 0.80), (0.030, 0.35), (0.022, -0.3), (-0.03, -0.25)]
)
"""Outline about its place: t, and height as a share of the fin's."""


def _paint_adipose(on: Drawing) -> None:
    """The small fleshy fin on a catfish's back."""
    if on.shape.adipose is None:
        return
    t, height = on.shape.adipose
    outline = np.array([t, float(on.girth.upper(t))]) + _ADIPOSE * (1, height)
    on.canvas.fill(outline, colour=on.fin_colour(0.85), alpha=0.92, blur=0.8)
    on.canvas.stroke(outline[1:5], colour=on.ray_colour(), width=0.0025, alpha=0.5, blur=0.5)


_NO_LATERAL_LINE = {"AMS", "GZS", "ASE", "SNS"}
"""Herrings have none on the body, the swamp eel's hardly shows, and the sturgeon has plates there."""


def _paint_lateral_line(on: Drawing) -> None:
    if on.fish.code in _NO_LATERAL_LINE:
        return
    start = on.shape.head.length
    t = np.linspace(start, on.girth.upper.end - 0.01, 40)
    upper, lower = on.girth.upper(t), on.girth.lower(t)
    part = 0.60 - 0.10 * np.clip((t - start) / 0.25, 0, 1)
    line = np.stack([t, lower + part * (upper - lower)], axis=1)
    on.canvas.stroke(line, colour=(0.08, 0.07, 0.05), width=0.0024, alpha=0.30, blur=0.4)
    on.canvas.stroke(shifted(line, 0, 0.0028), colour=(1, 1, 0.95), width=0.002, alpha=0.10, blur=0.4)
