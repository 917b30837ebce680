"""Noise and scales: tiles computed once per process and looked up by every picture."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
_TILE = 1024


@cache
def _noise_tile(octaves: int) -> Floats:
    """Wrapping noise of mean 0 and standard deviation 1; more octaves are rougher."""
    rng = np.random.default_rng([octaves, 7])
    total = np.zeros((_TILE, _TILE), np.float32)
    for octave in range(octaves):
        cells = 16 * 2**octave
        coarse = rng.standard_normal((cells, cells)).astype(np.float32)
        wrapped = np.pad(coarse, 2, mode="wrap")
        zoom = _TILE // cells
        fine = cv2.resize(wrapped, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
        total += fine[2 * zoom : 2 * zoom + _TILE, 2 * zoom : 2 * zoom + _TILE] * 0.55**octave
    return np.asarray((total - total.mean()) / total.std(), np.float32)


def noise(
    shape: tuple[int, int], grain: tuple[float, float], rng: np.random.Generator, *, octaves: int = 3
) -> Floats:
    """Cut a piece of noise.

    Parameters
    ----------
    shape
        Rows and columns wanted.
    grain
        Size of the coarsest features in pixels, along columns and along rows.
    octaves
        1 is smooth, 4 is rough.

    Returns
    -------
    float32 array of ``shape``
        Mean 0, standard deviation 1 over the whole tile.
    """
    tile = _noise_tile(octaves)
    height, width = (max(2, min(_TILE, int(np.ceil(n * 64 / g)))) for n, g in zip(shape, grain[::-1], strict=True))
    top, left = (int(rng.integers(_TILE - n + 1)) for n in (height, width))
    piece = tile[top : top + height, left : left + width]
    return np.asarray(cv2.resize(piece, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR), np.float32)


@cache
def _scales() -> tuple[Floats, npt.NDArray[np.int32]]:
    """One period of overlapping scales, tail to the right, and which scale each point belongs to."""
    y, x = np.mgrid[0:64, 0:64].astype(np.float32) / 64
    top = np.full((64, 64), -2.0, np.float32)
    shade = np.zeros((64, 64), np.float32)
    owner = np.zeros((64, 64), np.int32)
    for row, column in ((0, 0.0), (1, 0.5), (2, 0.0)):
        for turn in (-1, 0, 1):
            dx, dy = x - (column + turn), (y - 0.5 * row) * 1.25
            reach = np.sqrt(np.where(dx > 0, dx * 1.35, dx * 0.8) ** 2 + dy**2)
            tilt = np.where(reach < 0.70, dx + 0.01, -2.0)
            above = tilt > top
            edge = np.exp(-(((reach - 0.66) / 0.07) ** 2))
            middle = 0.55 - 0.9 * (reach / 0.7) ** 2 + 0.5 * np.clip(dx, -0.2, 0.5)
            shade = np.where(above, middle - 1.1 * edge, shade)
            owner = np.where(above, row + 4 * turn, owner)
            top = np.where(above, tilt, top)
    shade -= shade.mean()
    return np.asarray(shade / np.abs(shade).max(), np.float32), owner


def scale_tile() -> Floats:
    """Brightness of one period of scales, (64, 64) in [-1, 1]: two half-shifted rows.

    Each scale is bright in its middle, with a dark free edge and shade where it slips under its neighbour.
    """
    return _scales()[0]


def scale_owners() -> npt.NDArray[np.int32]:
    """For each point of :func:`scale_tile` its scale: row in the period (0 to 2) + 4 times columns away."""
    return _scales()[1]


@cache
def glint_table() -> Floats:
    """Brightness of each scale of a fish, (64, 256), mean 0: no two scales lie quite alike."""
    return np.random.default_rng(11).standard_normal((64, 256)).astype(np.float32)
