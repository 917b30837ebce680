"""What the camera does to the light: tone and colour by firmware, infrared, noise."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.demo.shot import HEIGHT, WIDTH
from passage_cv.demo.sites import Light, Setup

Rgb = npt.NDArray[np.uint8]
NOISE = {"day": 2.2, "night": 3.6, "infrared": 4.2}
"""Standard deviation of the sensor's noise by light, of 255. Ours."""


def develop(image: Rgb, setup: Setup, light: Light, exposure: float) -> Rgb:
    """Tone and colour: lamp, white balance, gamma; at infrared a grey picture. :func:`add_noise` must follow."""
    red, green, blue = cv2.split(image)
    if light == "infrared":
        grey = cv2.addWeighted(red, 0.60, green, 0.40, 0)
        return np.asarray(cv2.cvtColor(cv2.LUT(grey, _tone(0.92 * exposure, 0.88, 0.05)), cv2.COLOR_GRAY2RGB))
    warm = (1.04, 0.99, 0.91) if light == "night" else (1.0, 1.0, 1.0)
    gains = [exposure * a * b * c for a, b, c in zip(setup.lamp, setup.firmware, warm, strict=True)]
    planes = [cv2.LUT(plane, _tone(g, setup.gamma, 0.0)) for plane, g in zip((red, green, blue), gains, strict=True)]
    return np.asarray(cv2.merge(planes))


_RISING = np.linspace(0, 1, 256)


def _tone(gain: float, gamma: float, lift: float) -> npt.NDArray[np.uint8]:
    """Tone curve: gain, gamma, and a shoulder that keeps highlights from burning out."""
    x = (gain * _RISING) ** gamma
    shoulder = np.where(x < 0.8, x, 0.8 + 0.2 * np.tanh((x - 0.8) / 0.2))
    return np.asarray(np.clip((lift + (1 - lift) * shoulder) * 255 - _FLOOR, 0, 255), np.uint8)


_FLOOR = 12
"""Taken away by the tone curve and given back by the noise, so that noise costs one pass over the picture."""


@cache
def _grain(sigma: float, *, grey: bool) -> Rgb:
    """Noise above :data:`_FLOOR`, larger than a picture by 128 pixels each way."""
    rng = np.random.default_rng([int(sigma * 10), int(grey)])
    field = rng.normal(0, sigma, (HEIGHT + 128, WIDTH + 128, 1 if grey else 3)).astype(np.float32)
    field = 0.75 * field + 0.6 * cv2.GaussianBlur(field, (0, 0), 0.8).reshape(field.shape)
    whole = np.rint(np.repeat(field, 3, axis=2) if grey else field) + _FLOOR
    return np.asarray(np.clip(whole, 0, 255), np.uint8)


def add_noise(image: Rgb, light: Light, rng: np.random.Generator, *, more: float = 1.0) -> Rgb:
    """Sensor noise; closes what :func:`develop` left open."""
    grain = _grain(round(NOISE[light] * more, 1), grey=light == "infrared")
    top, left = (int(n) for n in rng.integers(0, 128, 2))
    return np.asarray(cv2.add(image, grain[top : top + HEIGHT, left : left + WIDTH]))


def add_flicker(image: Rgb, rng: np.random.Generator) -> Rgb:
    """Bands of a flickering lamp, from rows being read one after the other."""
    rows = np.arange(HEIGHT)
    band = 1 + rng.uniform(0.02, 0.06) * np.sin(2 * np.pi * (rows / rng.uniform(110, 260) + rng.random()))
    return np.clip(image * band[:, None, None].astype(np.float32), 0, 255).astype(np.uint8)
