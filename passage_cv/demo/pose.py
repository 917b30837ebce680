"""Put a straight fish into the picture: where it swims, how it bends, how far it is turned.

The fish's axis becomes a curve in the picture; every pixel near it is traced back to a place along the fish
and a height above its axis, and coloured from there.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.demo.canvas import Canvas, Floats, Region, Rgba
from passage_cv.demo.shot import HEIGHT, WIDTH, View

Points = npt.NDArray[np.float64]
_CELL = 16
_SAMPLES = 49
SUPPLE = {"ASE": 1.0, "EEL": 1.0, "NSH": 0.30, "BOW": 0.28, "SNS": 0.22}
"""How far a species bends, 1 = as an eel; others 0.16. Ours."""


@dataclass(frozen=True, slots=True)
class Pose:
    """The fish's axis in the picture: points from snout to tail, unit tangents, length in pixels.

    ``up`` is 1 where the fish's back is to the left of its way as drawn (head left), -1 when mirrored.
    """

    axis: Points
    tangent: Points
    length_px: float
    up: float


def draw_pose(
    code: str, length_px: float, view: View, rng: np.random.Generator, *, offset: tuple[float, float] = (0, 0)
) -> Pose:
    """Draw where and how a fish of a length in pixels lies in the picture.

    Parameters
    ----------
    offset
        Moves the fish from the middle, pixels; keeps two fish apart.
    """
    supple = SUPPLE.get(code, 0.16)
    bend = supple * (1.0 if view == "top" else 0.45) * rng.uniform(0.2, 1.0) * rng.choice([-1, 1])
    arc = supple * (0.5 if view == "top" else 0.30) * rng.normal()
    s = np.linspace(0, 1, _SAMPLES)
    growing = 0.35 + 0.65 * s
    waves = 1.25 if supple == 1.0 else 0.8
    heading = bend * growing * np.sin(2 * np.pi * (waves * s + rng.random())) + arc * (s - 0.5)
    heading += np.radians(rng.normal(0, 7 if view == "top" else 5))
    squeezed = length_px * (1.0 if view == "top" else rng.uniform(0.93, 1.0))
    step = squeezed / (_SAMPLES - 1) * np.stack([np.cos(heading), np.sin(heading)], axis=1)
    axis = np.cumsum(np.vstack([np.zeros(2), step[:-1]]), axis=0)
    flip = view == "right" or (view == "top" and rng.random() < 0.5)
    if flip:
        axis[:, 0] *= -1
    axis += _middle(axis, rng) + offset
    tangent = np.gradient(axis, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    # From the side a fish that turns round still has its back up; from above it is only seen turned round.
    return Pose(axis, tangent, squeezed, -1.0 if view == "right" else 1.0)


def _middle(axis: Points, rng: np.random.Generator) -> Points:
    """Shift that brings the fish into the picture; one in eight, and every fish too long, is cut off."""
    low, high = axis.min(axis=0), axis.max(axis=0)
    room = WIDTH - (high[0] - low[0])
    if room < 40:
        x = rng.choice(
            [rng.uniform(20, 90) - low[0], WIDTH - rng.uniform(20, 90) - high[0], room / 2 - low[0]],
            p=[0.45, 0.35, 0.2],
        )
    elif rng.random() < 0.12:
        lost = rng.uniform(0.10, 0.35) * (high[0] - low[0])
        x = -lost - low[0] if rng.random() < 0.5 else WIDTH + lost - high[0]
    else:
        x = rng.uniform(20, room - 20) - low[0]
    y = HEIGHT * float(np.clip(rng.normal(0.52, 0.09), 0.30, 0.72)) - 0.5 * (low[1] + high[1])
    return np.array([x, y])


def lay(canvas: Canvas, pose: Pose, *, smear_px: float = 0.0) -> tuple[Region, Rgba] | None:
    """Bend a painted canvas along a pose.

    Parameters
    ----------
    smear_px
        How far the fish moves along its own axis while the picture is taken, in pixels of the picture.

    Returns
    -------
    Region and uint8 array (rows, columns, 4), or None where the fish is wholly outside the picture
        Colour multiplied by opacity, and opacity.
    """
    scale, pixels, x0, y0 = _shrunk(canvas, pose.length_px)
    trail = int(smear_px * scale / pose.length_px) | 1
    if trail > 1:
        pixels = np.asarray(cv2.blur(pixels, (trail, 1), borderType=cv2.BORDER_CONSTANT))
    reach = max(y0, pixels.shape[0] - y0) / scale * pose.length_px
    region = _region(pose, reach)
    if region is None:
        return None
    along, height = _trace(pose, region)
    map_x = np.float32(x0 - 0.5) + along * np.float32(scale)
    map_y = np.float32(y0 - 0.5) - height * np.float32(scale)
    return region, np.asarray(cv2.remap(pixels, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT))


def _shrunk(canvas: Canvas, length_px: float) -> tuple[float, Rgba, float, float]:
    """The canvas's pixels at no more than 1.3 times the resolution wanted."""
    pixels = canvas.pixels()
    ratio = min(1.0, 1.15 * length_px / canvas.scale)
    if ratio > 0.87:
        return canvas.scale, pixels, float(canvas.x0), float(canvas.y0)
    height, width = pixels.shape[:2]
    size = (max(2, round(width * ratio)), max(2, round(height * ratio)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    across, down = size[0] / width, size[1] / height
    return canvas.scale * across, np.asarray(small), canvas.x0 * across, canvas.y0 * down


def _region(pose: Pose, reach: float) -> Region | None:
    margin = np.array([0.07 * pose.length_px, reach])
    left, top = np.floor(pose.axis.min(axis=0) - margin).astype(int)
    right, bottom = np.ceil(pose.axis.max(axis=0) + margin).astype(int)
    rows = slice(max(0, top), min(HEIGHT, bottom))
    columns = slice(max(0, left), min(WIDTH, right))
    return (rows, columns) if rows.stop - rows.start > 2 and columns.stop - columns.start > 2 else None


def _trace(pose: Pose, region: Region) -> tuple[Floats, ...]:
    """Place along the fish and height above its axis for each pixel, both in total lengths.

    Exact on a coarse grid, linear between: the maps are smooth wherever the bend is wider than the fish.
    """
    shape = tuple(-(-(part.stop - part.start) // _CELL) + 2 for part in region)
    y, x = (part.start + _CELL * (np.arange(n) - 0.5) - 0.5 for part, n in zip(region, shape, strict=True))
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2).astype(np.float32)
    axis = pose.axis.astype(np.float32)
    far = (axis**2).sum(axis=1) - 2 * grid @ axis.T
    nearest = far.argmin(axis=1)
    away = grid - axis[nearest]
    tangent = pose.tangent[nearest].astype(np.float32)
    along = nearest / (_SAMPLES - 1) + (away * tangent).sum(axis=1) / pose.length_px
    height = pose.up * (away[:, 0] * tangent[:, 1] - away[:, 1] * tangent[:, 0]) / pose.length_px
    return tuple(_grown(values.reshape(shape), region) for values in (along, height))


def _grown(coarse: npt.NDArray[np.float64], region: Region) -> Floats:
    """Blow a grid of cell middles, one cell wider than the region on each side, up to the region's pixels."""
    rows, columns = (part.stop - part.start for part in region)
    fine = cv2.resize(coarse.astype(np.float32), None, fx=_CELL, fy=_CELL, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[_CELL : _CELL + rows, _CELL : _CELL + columns])
