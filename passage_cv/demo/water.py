"""Water between the camera and what it looks at: haze by NTU, ripples of light, specks, drops, a film."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.demo.scenery import LAMP_ONE
from passage_cv.demo.shot import HEIGHT, WIDTH
from passage_cv.demo.textures import Floats, noise

Rgb = npt.NDArray[np.uint8]
Rgba = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.uint8]

CLEAR_PER_NTU = 0.024
"""Loss of contrast per NTU over the fish's distance: 38 % at 20, 70 % at 50 (handbook 6: pattern hidden above
about 20, only the outline left above about 50). Ours."""

WALL_DISTANCE = 1.7
"""The wall is this many times as far away as the fish. Ours."""


@dataclass(frozen=True, slots=True)
class Haze:
    """What turbidity does at a distance: share of light that comes through, veil's colour, blur in pixels."""

    clear: float
    veil: Floats
    blur: float

    def at(self, distance: float) -> Haze:
        """The same water seen through a different length of it."""
        return Haze(self.clear**distance, self.veil, self.blur * distance)


def haze_of(turbidity_ntu: float) -> Haze:
    """Haze at the fish's distance.

    Examples
    --------
    >>> round(haze_of(50.0).clear, 2)
    0.3
    """
    muddy = float(np.clip(turbidity_ntu / 90, 0, 1))
    green, brown = np.array([0.46, 0.53, 0.46]), np.array([0.56, 0.51, 0.39])
    veil = (green + muddy * (brown - green)).astype(np.float32)
    return Haze(float(np.exp(-CLEAR_PER_NTU * turbidity_ntu)), veil, 0.20 + 0.034 * turbidity_ntu)


def behind(wall: Rgb, haze: Haze, lamp: Mask) -> Rgb:
    """The wall as it looks through haze under a lamp map."""
    veils = (1 - haze.clear) * 255 * haze.veil
    hazy = [
        cv2.convertScaleAbs(p, alpha=haze.clear, beta=float(v)) for p, v in zip(cv2.split(wall), veils, strict=True)
    ]
    lit = cv2.merge([cv2.multiply(plane, lamp, scale=1 / LAMP_ONE) for plane in hazy])
    return np.asarray(cv2.GaussianBlur(lit, (0, 0), 0.5 + haze.blur))


def through(layer: Rgba, haze: Haze, lamp: Mask) -> Rgb:
    """Colours multiplied by opacity (rows, columns, 4) as they look through haze under a lamp map.

    ``lamp`` is 8-bit, ``LAMP_ONE`` where the light is 1.
    """
    *colours, cover = cv2.split(layer)
    veils = (1 - haze.clear) * haze.veil
    hazy = [cv2.addWeighted(plane, haze.clear, cover, float(v), 0) for plane, v in zip(colours, veils, strict=True)]
    return np.asarray(cv2.merge([cv2.multiply(plane, lamp, scale=1 / LAMP_ONE) for plane in hazy]))


def add_specks(image: Rgb, turbidity_ntu: float, rng: np.random.Generator) -> None:
    """Drifting particles and bubbles, out of focus, in place."""
    count = int(rng.poisson(6 + 0.5 * turbidity_ntu))
    shades = rng.integers(20, 120, count).tolist()
    kinds = rng.choice(["grain", "grain", "grain", "flake", "clot"], count).tolist()
    bubbles = int(rng.poisson(1.2))
    kinds += [f"bubble {size}" for size in rng.integers(1, 4, bubbles)]
    edge = _STAMP // 2
    places = rng.integers((edge, edge), (WIDTH - edge, HEIGHT - edge), size=(count + bubbles, 2)).tolist()
    for kind, shade, (x, y) in zip(kinds, shades + [160] * bubbles, places, strict=True):
        here = image[y - edge : y + edge, x - edge : x + edge]
        lay_on = cv2.add if shade > _DARKEST_BRIGHT else cv2.subtract
        lay_on(here, _stamp(kind, shade), dst=here)


_STAMP = 24
"""Side of the square that a speck is stamped with, pixels."""
_DARKEST_BRIGHT = 45
"""Specks fainter than this shade are dark instead of bright."""
_RADIUS = {"grain": 0, "flake": 1, "clot": 2}


@lru_cache(maxsize=512)
def _stamp(kind: str, shade: int) -> Rgb:
    """One speck, drawn at half size and blown up, which is what being out of focus does to it."""
    half = np.zeros((_STAMP // 2, _STAMP // 2), np.uint8)
    middle = (_STAMP // 4, _STAMP // 4)
    if kind in _RADIUS:
        cv2.circle(half, middle, _RADIUS[kind], shade, -1, cv2.LINE_AA)
    else:
        size = int(kind.split()[1])
        cv2.circle(half, middle, size, 60, 1, cv2.LINE_AA)
        cv2.circle(half, (middle[0] - size // 2, middle[1] - size // 2), 0, shade, -1)
    soft = cv2.resize(cv2.GaussianBlur(half, (5, 5), 0.9), (_STAMP, _STAMP), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.cvtColor(soft, cv2.COLOR_GRAY2RGB))


def add_glare(image: Rgb, rng: np.random.Generator) -> None:
    """Lamp reflections on the window: soft bright streaks, in place."""
    small = np.zeros((HEIGHT // 8, WIDTH // 8), np.float32)
    for _ in range(int(rng.integers(1, 4))):
        x, y = int(rng.integers(small.shape[1])), int(rng.integers(small.shape[0] // 2))
        axes = (int(rng.integers(3, 20)), int(rng.integers(1, 3)))
        cv2.ellipse(small, (x, y), axes, float(rng.normal(0, 10)), 0, 360, float(rng.uniform(20, 110)), -1)
    spread = cv2.GaussianBlur(small, (0, 0), 1.6) + 0.6 * cv2.GaussianBlur(small, (0, 0), 5)
    soft = cv2.resize(spread, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    soft *= np.clip(1 + 0.35 * noise((HEIGHT, WIDTH), (40, 12), rng, octaves=3), 0.2, 2)
    bright = cv2.convertScaleAbs(np.maximum(soft, 0))
    cv2.add(image, cv2.merge([bright, bright, bright]), dst=image)


def add_drops(image: Rgb, rng: np.random.Generator) -> None:
    """Drops on the window: uneven little lenses that show the picture upside down and smeared, in place."""
    for _ in range(int(rng.integers(1, 5))):
        r = int(rng.integers(6, 26))
        x, y = int(rng.integers(r, WIDTH - r)), int(rng.integers(r, HEIGHT - r))
        patch = image[y - r : y + r, x - r : x + r]
        lens = cv2.GaussianBlur(patch[::-1, ::-1], (0, 0), 0.35 * r).astype(np.float32)
        yy, xx = np.mgrid[-r:r, -r:r].astype(np.float32) / r
        lobes, turn = rng.normal(0, 0.07, 3), rng.uniform(0, 6.28, 3)
        around = np.arctan2(yy, xx)
        edge = 0.82 + sum(
            lobe * np.cos((i + 2) * around + t) for i, (lobe, t) in enumerate(zip(lobes, turn, strict=True))
        )
        depth = np.clip(1 - np.sqrt(xx**2 + yy**2) / edge, 0, 1)
        thin = np.clip(1 - depth / 0.35, 0, 1)
        lens += (yy * (26 + 30 * thin))[..., None]
        patch[:] = np.clip(patch + (0.85 * np.clip(depth * 5, 0, 1))[..., None] * (lens - patch), 0, 255).astype(
            np.uint8
        )


def add_film(image: Rgb, fouled: float, rng: np.random.Generator) -> None:
    """A lens grown over: soft, pale, greenish, in patches, in place; ``fouled`` 0 to 1."""
    soft = cv2.GaussianBlur(image, (0, 0), 1 + 5 * fouled).astype(np.float32)
    patch = np.clip(0.70 + 0.40 * noise((HEIGHT, WIDTH), (260, 200), rng, octaves=3), 0, 1)[..., None] * fouled
    hazy = 0.72 * soft + 0.28 * np.array([150, 158, 120], np.float32)
    image[:] = np.clip(image + patch * (hazy - image), 0, 255).astype(np.uint8)
