"""Draw one straight fish as the camera above the flume sees it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from passage_cv.demo.body import TOP_LIGHT, Contour, Girth, paint_body
from passage_cv.demo.canvas import Canvas, shifted, tapered
from passage_cv.demo.coats import COATS
from passage_cv.demo.drawing import Carriage, Drawing
from passage_cv.demo.fins import lay_out_paired_fin, paint_fin
from passage_cv.demo.flank import ROWS, draw_flank
from passage_cv.demo.head import smooth
from passage_cv.demo.scutes import paint_scutes_above
from passage_cv.demo.shapes import SHAPES
from passage_cv.demo.species import Fish

_DARK = (0.05, 0.05, 0.05)


def draw_above(fish: Fish, carriage: Carriage, scale: float, rng: np.random.Generator) -> Canvas:
    """Draw a fish from above, head to the left, its right side up."""
    shape, coat = SHAPES[fish.code], COATS[fish.code]
    stretch = float(1 + np.random.default_rng([fish.seed, 6]).normal(0, 0.05))
    girth = Girth(Contour(shape.width, stretch), Contour(tuple((t, -w) for t, w in shape.width), stretch))
    room = 0.26 if shape.pectoral else 0.08
    on = Drawing(fish, shape, coat, girth, carriage, Canvas(scale, above=room, below=room), rng)
    _paint_tail_edge(on)
    for mirror in (1.0, -1.0):
        _paint_spread_fins(on, mirror)
    backs = np.concatenate([draw_flank(fish, 1)[ROWS // 2 - 1 :: -1], draw_flank(fish, 0)[: ROWS // 2]])
    paint_body(on.canvas, girth, backs, shape, coat, TOP_LIGHT, rng)
    if fish.code == "SNS":
        paint_scutes_above(on.canvas, girth.upper, rng)
    _paint_ridges(on)
    for side in (1.0, -1.0):
        _paint_half_head(on, side)
        _paint_whisker(on, side)
    return on.canvas


def _paint_spread_fins(on: Drawing, mirror: float) -> None:
    """The pelvic and pectoral fin of one side, held out."""
    carriage = on.carriage
    for fin, spread, out in ((on.shape.pelvic, carriage.pelvic, 0.75), (on.shape.pectoral, carriage.pectoral, 0.95)):
        if fin is not None:
            root = (fin.at[0], -mirror * out * float(on.girth.upper(fin.at[0])))
            angle = 12 + 50 * spread + float(on.rng.normal(0, 6))
            placed = replace(fin, at=root, angle=0)
            rays = lay_out_paired_fin(placed, angle=angle, spread=0.4 + 0.6 * spread, mirror=mirror)
            paint_fin(on.canvas, rays, on.coat, on.rng, alpha=on.coat.fin_alpha)


def _paint_tail_edge(on: Drawing) -> None:
    """The tail fin from above: a blade."""
    start = on.shape.tail.start if on.shape.tail else 0.84
    root = float(on.girth.upper(start))
    half = np.array([(start - 0.05, root), (start + 0.04, 0.55 * root), (1.0, 0.0025)])
    blade = np.concatenate([half, half[::-1] * (1, -1)])
    on.canvas.fill(blade, colour=on.fin_colour(0.9), alpha=0.9, blur=0.6)
    middle = np.array([(start, 0.0), (1.0, 0.0)])
    on.canvas.stroke(middle, colour=on.ray_colour(), width=0.003, alpha=0.6, blur=0.5)


def _paint_ridges(on: Drawing) -> None:
    """Fins of the back from above: a dark line, leaning to one side, with its lighter skin beside it."""
    for fin in on.shape.fins:
        if fin.edge == "back":
            s = np.linspace(0, 1, 30)
            lean = 0.10 * max(height for _, height in fin.height) * on.carriage.dorsal
            ridge = np.stack([fin.base[0] + s * (fin.base[1] - fin.base[0]), lean * np.sin(np.pi * s)], axis=1)
            on.canvas.stroke(ridge, colour=on.ray_colour(0.8), width=0.006, alpha=0.75, blur=0.7)
            on.canvas.stroke(shifted(ridge, 0, 0.003), colour=on.fin_colour(), width=0.003, alpha=0.5, blur=0.5)
    if on.shape.adipose is not None:
        at = on.shape.adipose[0]
        ridge = np.array([(at - 0.03, 0.0), (at + 0.035, 0.0)])
        on.canvas.stroke(ridge, colour=on.ray_colour(), width=0.007, alpha=0.7, blur=0.8)


def _paint_half_head(on: Drawing, side: float) -> None:
    """Eye at the edge of the head, nostril, rim of the gill cover, on one side."""
    head, width = on.shape.head, on.girth.upper
    t, _, radius = head.eye
    edge = side * float(width(t))
    on.canvas.disc((t, 0.86 * edge), 1.15 * radius, _DARK, alpha=0.5, blur=0.8, squash=0.6)
    on.canvas.disc((t, 0.90 * edge), 0.85 * radius, (0.03, 0.03, 0.03), alpha=0.9, blur=0.5, squash=0.6)
    on.canvas.disc((head.nostril[0], 0.40 * edge), 0.003, _DARK, alpha=0.7, blur=0.5)
    if head.gill == "plate":
        back = side * float(width(head.length))
        rim = smooth([(head.length + d, p * back) for d, p in ((-0.05, 0.35), (-0.02, 0.60), (-0.004, 0.97))])
        on.canvas.fill(tapered(rim, 0.007, ends=(0.0, 1.0)), colour=_DARK, alpha=0.40, blur=0.8)


def _paint_whisker(on: Drawing, side: float) -> None:
    """A catfish's long whisker, trailing beside the head."""
    if on.shape.adipose is None:
        return
    barbel = on.shape.head.barbels[1]
    start, long = barbel.root[0], barbel.tip[0] - barbel.root[0]
    root = float(on.girth.upper(start))
    points = ((0.0, root), (0.25 * long, root + 0.045), (long, root + 0.07))
    line = smooth([(start + t, side * y) for t, y in points])
    on.canvas.stroke(line, colour=on.ray_colour(0.8), width=0.004, alpha=0.85, blur=0.4)
