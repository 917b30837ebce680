"""The imaging section without fish: walls, floor, light. One picture per set-up, camera and day, kept."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.demo.shot import HEIGHT, WIDTH
from passage_cv.demo.sites import SETUPS, Light
from passage_cv.demo.textures import Floats, noise

Rgb = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.uint8]
_SHAPE = (HEIGHT, WIDTH)
_Y = np.linspace(0, 1, HEIGHT, dtype=np.float32)[:, None]
_X = np.linspace(0, 1, WIDTH, dtype=np.float32)[None, :]


@lru_cache(maxsize=6)
def wall(setup_id: str, day_seed: int, *, above: bool) -> Rgb:
    """What stands behind the fish, in clear water and even light, uint8 (540, 960, 3)."""
    day = np.random.default_rng([day_seed, int(above)])
    picture = _built(setup_id, above=above)
    for cover, colour in _growth(day):
        rest = cv2.cvtColor(255 - cover, cv2.COLOR_GRAY2RGB)
        tint = cv2.merge([cv2.convertScaleAbs(cover, alpha=part / 255) for part in colour])
        picture = np.asarray(cv2.add(cv2.multiply(picture, rest, scale=1 / 255), tint))
    return picture


@lru_cache(maxsize=12)
def _built(setup_id: str, *, above: bool) -> Rgb:
    """The section as it was built, without the day's growth."""
    setup = SETUPS[setup_id]
    fixed = np.random.default_rng([sum(setup_id.encode()), int(above)])
    picture = np.empty((*_SHAPE, 3), np.float32)
    picture[:] = np.array(setup.wall, np.float32) / 255
    if above:
        _tray(picture, fixed)
    else:
        _FINISHES[setup.finish](picture, fixed)
        _floor(picture, fixed)
    return np.asarray(cv2.convertScaleAbs(picture, alpha=255))


def _stain(picture: Floats, amount: Floats, colour: tuple[float, float, float]) -> None:
    picture += amount[..., None] * (np.array(colour, np.float32) - picture)


def _panel(picture: Floats, fixed: np.random.Generator) -> None:
    """Plastic panels: upright seams, screws, fine scratches along the flow, a scale bar without figures."""
    picture *= (1 + 0.018 * noise(_SHAPE, (300, 6), fixed, octaves=4) + 0.02 * noise(_SHAPE, (200, 200), fixed))[
        ..., None
    ]
    for x in (148, 466, 786):
        cv2.line(picture, (x, 0), (x, HEIGHT), (0.30, 0.33, 0.29), 3, cv2.LINE_AA)
        cv2.line(picture, (x + 3, 0), (x + 3, HEIGHT), (0.72, 0.75, 0.69), 1, cv2.LINE_AA)
        for y in (70, 250, 420):
            for side in (-16, 20):
                cv2.circle(picture, (x + side, y), 4, (0.38, 0.40, 0.37), -1, cv2.LINE_AA)
                cv2.circle(picture, (x + side - 1, y - 1), 2, (0.70, 0.72, 0.68), -1, cv2.LINE_AA)
    for tick in range(0, WIDTH, 25):
        cv2.line(picture, (tick, 0), (tick, 20 if tick % 125 == 0 else 10), (0.16, 0.17, 0.16), 2, cv2.LINE_AA)


def _concrete(picture: Floats, fixed: np.random.Generator) -> None:
    """Cast concrete: board marks, pores, runs of rust and lime."""
    rough = noise(_SHAPE, (14, 12), fixed, octaves=4)
    picture *= (1 + 0.055 * rough + 0.06 * noise(_SHAPE, (220, 120), fixed))[..., None]
    for y in range(34, HEIGHT, 96):
        cv2.line(picture, (0, y), (WIDTH, y + 2), (0.34, 0.33, 0.28), 2, cv2.LINE_AA)
    runs = np.clip(noise(_SHAPE, (60, 900), fixed, octaves=3) - 0.9, 0, 1)
    _stain(picture, 0.35 * runs * (1 - 0.4 * _Y), (0.42, 0.34, 0.24))
    for x, y in zip(fixed.integers(0, WIDTH, 130), fixed.integers(0, HEIGHT, 130), strict=True):
        cv2.circle(picture, (int(x), int(y)), int(fixed.integers(1, 4)), (0.30, 0.29, 0.25), -1, cv2.LINE_AA)


def _tank(picture: Floats, fixed: np.random.Generator) -> None:
    """A fibreglass tank: smooth, rounded toward the floor, with a seam and an outlet grid."""
    picture *= (1 + 0.012 * noise(_SHAPE, (9, 9), fixed, octaves=2) + 0.035 * noise(_SHAPE, (420, 260), fixed))[
        ..., None
    ]
    picture *= (1.06 - 0.20 * np.clip((_Y - 0.55) / 0.45, 0, 1) ** 2)[..., None]
    cv2.line(picture, (0, 118), (WIDTH, 112), (0.38, 0.48, 0.52), 2, cv2.LINE_AA)
    cv2.line(picture, (0, 121), (WIDTH, 115), (0.62, 0.72, 0.76), 1, cv2.LINE_AA)
    for x in range(846, 934, 11):
        cv2.line(picture, (x, 40), (x, 96), (0.20, 0.26, 0.28), 4, cv2.LINE_AA)


_FINISHES = {"panel": _panel, "concrete": _concrete, "tank": _tank}


def _floor(picture: Floats, fixed: np.random.Generator) -> None:
    """The floor of the section, seen at a low angle: darker, grained, with a shadow where it meets the wall."""
    level = HEIGHT - 62 + int(fixed.integers(-10, 10))
    floor = picture[level:]
    grain = noise((floor.shape[0], WIDTH), (22, 5), fixed, octaves=4)
    floor *= (0.70 + 0.06 * grain)[..., None]
    floor += 0.10 * np.linspace(0, 1, floor.shape[0], dtype=np.float32)[:, None, None]
    edge = np.exp(-np.abs(np.arange(HEIGHT, dtype=np.float32) - level) / 7)[:, None, None]
    picture *= 1 - 0.35 * edge


def _tray(picture: Floats, fixed: np.random.Generator) -> None:
    """From above: the pale tray, its side walls at both edges, a drain groove."""
    picture *= (1.10 + 0.02 * noise(_SHAPE, (240, 8), fixed, octaves=4) + 0.03 * noise(_SHAPE, (200, 200), fixed))[
        ..., None
    ]
    near = np.minimum(_Y, 1 - _Y)
    picture *= (0.55 + 0.45 * np.clip(near / 0.07, 0, 1) ** 0.5)[..., None]
    cv2.line(picture, (0, 270), (WIDTH, 268), (0.36, 0.38, 0.36), 3, cv2.LINE_AA)
    for x in range(60, WIDTH, 240):
        cv2.line(picture, (x, 0), (x, HEIGHT), (0.48, 0.50, 0.47), 1, cv2.LINE_AA)


def _growth(day: np.random.Generator) -> list[tuple[Mask, tuple[int, int, int]]]:
    """Algae and dirt of the day, each as its cover (8-bit) and colour: a film toward the floor, and spots."""
    half = (HEIGHT // 2, WIDTH // 2)
    film = np.clip(0.5 + 0.6 * noise(half, (90, 70), day, octaves=4), 0, 1.4) * (0.35 + 0.65 * _Y[::2])
    spots = np.clip(noise(half, (13, 13), day, octaves=3) - 1.9, 0, 1)
    strengths = day.uniform(0.02, 0.16), day.uniform(0.2, 0.7)
    covers = [
        np.asarray(cv2.resize(cv2.convertScaleAbs(part, alpha=255 * strength), (WIDTH, HEIGHT)))
        for part, strength in zip((film, spots), strengths, strict=True)
    ]
    return list(zip(covers, ((84, 92, 56), (61, 64, 41)), strict=True))


LAMP_ONE = 200
"""Value that stands for a light of 1 in an 8-bit lamp map."""


@lru_cache(maxsize=6)
def lamplight(day_seed: int, light: Light, *, above: bool) -> Mask:
    """How bright each part of the picture is lit, uint8 (540, 960), :data:`LAMP_ONE` for 1."""
    day = np.random.default_rng([day_seed, 2, int(above)])
    x, y = 0.5 + day.normal(0, 0.10), (0.5 if above else 0.12) + day.normal(0, 0.05)
    wide, fall = {"day": (0.95, 0.24), "night": (0.62, 0.55), "infrared": (0.55, 0.62)}[light]
    distance = np.sqrt((_X[:, ::4] - x) ** 2 + (0.62 * (_Y[::4] - y)) ** 2)
    lamp = 1.08 - fall * np.clip(distance / wide, 0, 1.6) ** 1.5
    return np.asarray(cv2.convertScaleAbs(_enlarged(lamp), alpha=LAMP_ONE))


def ripples(lamp: Mask, day_seed: int, strength: float) -> Mask:
    """A lamp map with the net of light that waves throw on the wall, strongest at the top.

    ``strength`` is 1 in clear water and 0 where none of the net comes through.
    """
    day = np.random.default_rng([day_seed, 3])
    shape = (HEIGHT // 4, WIDTH // 4)
    first, second = (noise(shape, (grain, 0.6 * grain), day, octaves=2) for grain in (70.0, 48.0))
    net = cv2.GaussianBlur(np.exp(-np.minimum(np.abs(first), np.abs(second)) / 0.22), (0, 0), 1.6)
    fade = np.linspace(1, 0.1, shape[0], dtype=np.float32)[:, None] ** 1.5
    factor = 1 + np.float32(strength * day.uniform(0.04, 0.16)) * fade * (net - net.mean())
    return np.asarray(cv2.multiply(lamp, _enlarged(factor), dtype=cv2.CV_8U))


def _enlarged(quarter: npt.NDArray[np.floating]) -> Floats:
    whole = cv2.resize(quarter.astype(np.float32), (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    return np.asarray(whole, np.float32)
