"""Paint fins: a thin skin, the rays that stretch it, its bands, and its darker edge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from math import ceil

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from passage_cv.demo.anatomy import PairedFin, RayFin, Tail
from passage_cv.demo.canvas import Canvas, Floats, Points, polygon_mask, stroke_mask
from passage_cv.demo.coats import Coat
from passage_cv.demo.textures import noise

Profile = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Rays:
    """A fin laid out: base and tip of every ray in (t, y), and the outline between the tips."""

    base: Points
    tip: Points
    edge: Points
    branched: bool = True
    thread: Points | None = None


def lay_out_ray_fin(fin: RayFin, profile: Profile, spread: float) -> Rays:
    """Lay a fin of the back or belly along the body's profile; ``spread`` 1 is erect, 0 is folded down."""
    s = np.linspace(0, 1, fin.rays)
    up = 1.0 if fin.edge == "back" else -1.0
    rise = 0.22 + 0.78 * spread
    height = _heights(fin)
    t = fin.base[0] + s * (fin.base[1] - fin.base[0])
    y = profile(t)
    back = fin.lean * height + (1 - rise) * 0.8 * height
    tip = np.stack([t + back, y + up * height * rise], axis=1)
    base = np.stack([t, y - up * 0.006], axis=1)
    thread = tip[-1] + np.array([[0.5, -0.1 * up], [1.0, -0.35 * up]]) * fin.thread if fin.thread else None
    return Rays(base, tip, _edge(base, tip, fin.spines), branched=fin.spines < fin.rays, thread=thread)


@cache
def _heights(fin: RayFin) -> Points:
    place, tall = np.array(fin.height).T
    return np.asarray(PchipInterpolator(place, tall)(np.linspace(0, 1, fin.rays)))


def _edge(base: Points, tip: Points, spines: int) -> Points:
    """The outer edge: nearly smooth over soft rays, let in between spines."""
    between = 0.5 * (tip[:-1] + tip[1:])
    inward = 0.5 * (base[:-1] + base[1:]) - between
    depth = np.where(np.arange(len(between)) < spines, 0.16 if spines > 1 else 0.0, 0.012)
    between += depth[:, None] * inward
    edge = np.empty((len(tip) + len(between), 2))
    edge[0::2], edge[1::2] = tip, between
    return edge


def lay_out_tail(tail: Tail, half_height: tuple[float, float], opening: float) -> Rays:
    """Lay the tail fin out behind the tail's root of given upper and lower half heights."""
    q = np.linspace(-1, 1, tail.rays)
    reach, height = _tail_tip(tail, q)
    root = np.where(q > 0, q * half_height[0], q * half_height[1])
    base = np.stack([tail.start - 0.016 * q**2 - 0.006, root * 0.96], axis=1)
    tip = np.stack([tail.start + reach, height * opening], axis=1)
    fine, high = _tail_tip(tail, np.linspace(-1, 1, 6 * tail.rays))
    edge = np.stack([tail.start + fine, high * opening], axis=1)
    return Rays(base, tip, np.concatenate([_bulge(base[0], edge[0]), edge, _bulge(base[-1], edge[-1])[::-1]]))


def _tail_tip(tail: Tail, q: Points) -> tuple[Points, Points]:
    """How far back and how high the tail's edge is, from its lower corner (-1) to its upper one (1)."""
    long, size = 1 - tail.start, np.abs(q)
    if tail.fork < 1:
        reach = long * (tail.fork + (1 - tail.fork) * size**1.25)
        reach -= long * 0.05 * np.clip((size - 0.94) / 0.06, 0, 1) ** 2
    else:
        reach = long * (1 - (1 - 1 / tail.fork) * size**2.6)
    reach = np.where(q < 0, reach * tail.lower, reach)
    return reach, tail.lift * (1 - 0.3 * q) + q * tail.spread


def _bulge(root: Points, corner: Points) -> Points:
    """The tail's upper or lower edge, a little convex."""
    s = np.linspace(0.15, 0.9, 6)[:, None]
    out = 1.0 if corner[1] > root[1] else -1.0
    bow = 0.07 * abs(corner[1] - root[1]) + 0.004
    return np.asarray(root + s * (corner - root) + np.concatenate([0 * s, out * bow * np.sin(np.pi * s)], axis=1))


def lay_out_paired_fin(fin: PairedFin, *, angle: float, spread: float, mirror: float = 1.0) -> Rays:
    """Lay a pectoral or pelvic fin out from its root; ``mirror`` -1 turns it upward (for views from above)."""
    q = np.linspace(0, 1, fin.rays)
    along = np.array([np.cos(np.radians(angle)), -mirror * np.sin(np.radians(angle))])
    across = np.array([-along[1], along[0]]) * -mirror
    root = np.array(fin.at)

    def tips(q: Points) -> Points:
        skewed = q ** (0.45 + 0.55 * fin.roundness)
        reach = 0.50 + 0.50 * np.sqrt(np.clip(1 - (2 * skewed - 1) ** 2, 0, 1))
        fan = (q - 0.5) * (0.9 + 0.1 * np.cos(2 * np.pi * (q - 0.5)))
        return np.asarray(root + np.outer(fin.length * reach, along) + np.outer(fan * fin.breadth * spread, across))

    base = root + np.outer((q - 0.5) * 0.24 * fin.breadth, across)
    return Rays(base, tips(q), tips(np.linspace(0, 1, 5 * fin.rays)))


def paint_fin(
    canvas: Canvas,
    rays: Rays,
    coat: Coat,
    rng: np.random.Generator,
    *,
    alpha: float,
    bands: float = 0.0,
    blotches: float = 0.0,
    dim: float = 1.0,
) -> None:
    """Paint one fin.

    Parameters
    ----------
    rays
        From one of the ``lay_out`` functions.
    alpha
        Opacity of the skin, 0 to 1.
    bands, blotches
        Strength of dark bars across the rays and of irregular spots.
    dim
        Multiplies the colour: fins of the far side are darker.
    """
    base, tip = canvas.place(rays.base), canvas.place(rays.tip)
    outline = np.concatenate([base, canvas.place(rays.edge)[::-1]])
    region = canvas.region(outline, 3)
    if region is None:
        return
    fin, deep = ([part / 255 * dim for part in colour] for colour in (coat.fin, coat.fin_dark))
    skin = polygon_mask([outline], region)
    along = _along(base, tip, region)
    shape = (skin.shape[0], skin.shape[1])
    inner = 1 - along
    amount: Floats = 0.42 * inner * inner + 0.22 * along * along
    if bands or blotches:
        amount = np.minimum(amount + _bands(along, bands) + _blotches(shape, blotches, canvas.scale, rng), 0.95)
    canvas.paint(
        region,
        [f + amount * np.float32(d - f) for f, d in zip(fin, deep, strict=True)],
        skin * (alpha * (1 - 0.30 * along)),
    )
    rays_mask = np.minimum(
        stroke_mask(_ray_lines(base, tip, branched=rays.branched), region, 0.0024 * canvas.scale), skin
    )
    light = np.zeros_like(rays_mask)
    light[:, 1:] = rays_mask[:, :-1]
    canvas.paint(region, [min(1.35 * part, 1.0) for part in fin], np.float32(0.34) * np.minimum(light, skin))
    canvas.paint(region, [0.8 * part for part in deep], np.float32(0.40) * rays_mask)
    if rays.thread is not None:
        canvas.stroke(np.concatenate([rays.tip[-1:], rays.thread]), colour=deep, width=0.003, alpha=0.8, blur=0.3)


def _along(base: Points, tip: Points, region: tuple[slice, slice]) -> Floats:
    """Roughly how far out on the fin each pixel is: 0 at the base line, 1 at the tips."""
    middle_base, middle_tip = base.mean(axis=0), tip.mean(axis=0)
    axis = middle_tip - middle_base
    length = np.linalg.norm(tip - base, axis=1).max() + 1e-6
    span = base[-1] - base[0]
    normal = np.array([span[1], -span[0]])
    size = np.linalg.norm(normal)
    unit = normal / size if size > 0.3 * length else axis
    unit = unit / (np.linalg.norm(unit) + 1e-9)
    unit = unit if unit @ axis > 0 else -unit
    height = max(float(((tip - base) @ unit).max()), 1.0)
    unit = unit / height
    x = (np.arange(region[1].start, region[1].stop) - base[0][0]) * unit[0]
    y = (np.arange(region[0].start, region[0].stop) - base[0][1]) * unit[1]
    return np.asarray(np.clip(x[None, :].astype(np.float32) + y[:, None].astype(np.float32), 0, 1))


def _bands(along: Floats, strength: float) -> Floats:
    return np.asarray(strength * (0.5 - 0.5 * np.cos(2 * np.pi * (along * 2.6 + 0.15))), np.float32)


def _blotches(shape: tuple[int, ...], strength: float, scale: float, rng: np.random.Generator) -> Floats:
    grain = max(4.0, 0.020 * scale)
    field = noise((shape[0], shape[1]), (grain, grain), rng, octaves=2)
    return np.asarray(strength * np.clip(0.5 + 0.7 * field, 0, 1), np.float32)


def _ray_lines(base: Points, tip: Points, *, branched: bool) -> Points:
    """The rays as lines of two points; soft rays split in two over their outer half.

    Rays closer than :data:`_CLOSEST_RAYS` pixels would run together: only every second or third is drawn then.
    """
    gap = float(np.hypot(*(tip[1:] - tip[:-1]).T).mean())
    every = max(1, ceil(_CLOSEST_RAYS / max(gap, 0.5)))
    base, tip = base[::every], tip[::every]
    lines = [np.stack([base, tip], axis=1)]
    if branched and len(base) > 2:
        fork = base + 0.55 * (tip - base)
        aside = np.zeros_like(tip)
        aside[1:-1] = 0.14 * (tip[2:] - tip[:-2])
        lines += [np.stack([fork, tip + aside], axis=1), np.stack([fork, tip - aside], axis=1)]
    return np.concatenate(lines)


_CLOSEST_RAYS = 3.6
