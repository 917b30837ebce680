"""Colour and pattern of one animal, painted on its unrolled flank.

Columns run from snout to tail, rows by the angle round the body from the middle of the back to the middle of
the belly. Both side views and the view from above read the same flank, so that an animal keeps its own
pattern. Patterns are from memory of general field guides and the last column of handbook 9's table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.demo.coats import COATS, Coat, Colour
from passage_cv.demo.species import Fish
from passage_cv.demo.textures import Floats, noise

ROWS, COLUMNS = 128, 512
Rgb = npt.NDArray[np.uint8]

_T = np.linspace(0, 1, COLUMNS, dtype=np.float32)[None, :]
_A = np.linspace(-1, 1, ROWS, dtype=np.float32)[:, None]


@dataclass(frozen=True, slots=True)
class Brush:
    """What a pattern is painted with: three planes (red, green, blue; 0 to 1), the animal, and chance.

    ``own`` is the animal's and equal on both flanks, ``rng`` belongs to one flank.
    """

    flank: Floats
    fish: Fish
    own: np.random.Generator
    rng: np.random.Generator


@lru_cache(maxsize=8)
def draw_flank(fish: Fish, side: int) -> Rgb:
    """Paint the unrolled flank of one animal; the last few are kept for its next view.

    Parameters
    ----------
    fish
        Its seed fixes shade, hue and pattern.
    side
        0 for the left flank, 1 for the right; they share colours but not every blotch.

    Returns
    -------
    uint8 array (ROWS, COLUMNS, 3)
        RGB reflectance.
    """
    own = np.random.default_rng([fish.seed, 3])
    flank = _ramp(COATS[fish.code], own)
    mottle = noise((ROWS, COLUMNS), (26, 20), own, octaves=4)
    flank *= 1 + 0.045 * mottle
    rng = np.random.default_rng([fish.seed, 4, side])
    if fish.code in _PATTERNS:
        _PATTERNS[fish.code](Brush(flank, fish, own, rng))
    return np.asarray(cv2.merge([cv2.convertScaleAbs(plane, alpha=255) for plane in flank]))


def _ramp(coat: Coat, own: np.random.Generator) -> Floats:
    """Three planes of back-to-belly colours with the animal's own darkness, hue and width of the dark back."""
    places = (
        np.array([place for place, _ in coat.ramp]) + np.r_[0, np.full(len(coat.ramp) - 2, own.normal(0, 0.06)), 0]
    )
    colours = np.array([colour for _, colour in coat.ramp]) / 255
    tone = float(np.exp(own.normal(0, 0.16)))
    hue = 1 + own.normal(0, 0.035) * np.array([1.0, 0.2, -1.0]) + own.normal(0, 0.006, 3)
    wavy = _A + 0.05 * noise((ROWS, COLUMNS), (180, 60), own, octaves=2)
    index = np.clip((wavy + 1) * 127.5, 0, 255).astype(np.uint8)
    tables = [np.interp(np.linspace(-1, 1, 256), places, colours[:, i]) * hue[i] for i in range(3)]
    return np.stack([cv2.LUT(index, (np.clip(table, 0, 1) ** (1 / tone)).astype(np.float32)) for table in tables])


def _mix(flank: Floats, amount: npt.NDArray[np.floating], colour: Colour) -> None:
    """Move the flank toward a colour by ``amount`` (0 to 1, rows by columns), in place."""
    cover = np.asarray(amount, np.float32)
    for i, part in enumerate(colour):
        flank[i] += cover * (np.float32(part / 255) - flank[i])


def _soft(field: Floats, edge: float, width: float) -> Floats:
    """0 below an edge, 1 above it, smooth between."""
    x = np.clip((field - edge) / width + 0.5, 0, 1)
    return np.asarray(x * x * (3 - 2 * x), np.float32)


def _blobs(blobs: list[tuple[float, float, float, float]], warp: Floats) -> Floats:
    """Height field of elongated bumps (t, a, half length in t, half height in a), with torn edges."""
    field = np.zeros((ROWS, COLUMNS), np.float32)
    for t, a, long, high in blobs:
        rows, columns = _within(a, high, (-1, 1), ROWS), _within(t, long, (0, 1), COLUMNS)
        here = field[rows, columns]
        away = ((_T[:, columns] - t) / long) ** 2 + ((_A[rows] - a) / high) ** 2
        np.maximum(here, 2 - away, out=here)
    return field - 1 + warp


def _within(middle: float, half: float, span: tuple[float, float], count: int) -> slice:
    """Places, out of ``count`` evenly over ``span``, at most the square root of 2 times ``half`` from a middle."""
    reach, per_place = 1.4143 * half, (span[1] - span[0]) / (count - 1)
    first = ceil((middle - reach - span[0]) / per_place)
    last = floor((middle + reach - span[0]) / per_place)
    return slice(max(0, first), max(0, last + 1))


def _torn(rng: np.random.Generator, strength: float, grain: tuple[float, float] = (34, 26)) -> Floats:
    return strength * noise((ROWS, COLUMNS), grain, rng, octaves=3)


def _cheek_stripe(
    flank: Floats, coat: Coat, start: tuple[float, float], end: tuple[float, float], *, width: int, strength: float
) -> None:
    """A dark stripe across the side of the head."""
    head = flank[:, :, : COLUMNS // 3]
    mask = np.zeros(head.shape[1:], np.uint8)
    ends = [(int(t * COLUMNS), int((a + 1) / 2 * ROWS)) for t, a in (start, end)]
    cv2.line(mask, ends[0], ends[1], 255, width, cv2.LINE_AA)
    amount = cv2.GaussianBlur(mask, (0, 0), 2.5).astype(np.float32) / 255 * strength
    _mix(head, amount, coat.dark)


def _about(size: float, rng: np.random.Generator) -> float:
    return size * float(rng.uniform(0.65, 1.25))


def _snakehead(on: Brush) -> None:
    """Saddles across the back, blotches along the side that run together toward the tail, cheek stripes."""
    coat = COATS["NSH"]
    blots = []
    for t in np.arange(0.29, 0.93, 0.078) + on.rng.normal(0, 0.010, 9):
        blots.append((t + on.rng.normal(0.012, 0.01), -0.92, _about(0.026, on.rng), _about(0.46, on.rng)))
        blots.append((t, 0.06 + on.rng.normal(0, 0.07), _about(0.029, on.rng), _about(0.32, on.rng)))
        if on.rng.random() < 0.45:
            blots.append((t + 0.006, -0.40, 0.010, 0.30))
        if on.rng.random() < 0.5:
            blots.append((t + on.rng.normal(0.03, 0.01), 0.44 + on.rng.normal(0, 0.07), 0.012, 0.13))
    ragged = _torn(on.rng, 0.55, (30, 34)) + _torn(on.rng, 0.28, (9, 11))
    inside = _soft(_blobs(blots, ragged), 0.20, 0.45)
    heart = 0.82 + 0.18 * noise((ROWS, COLUMNS), (10, 10), on.rng, octaves=2)
    strength = 0.80 * on.own.uniform(0.15, 1.0)  # dark old fish hardly show it
    _mix(on.flank, np.clip(strength * inside * heart, 0, 0.95), coat.dark)
    for a0, a1 in ((-0.18, -0.30), (0.0, 0.22)):
        _cheek_stripe(on.flank, coat, (0.085, a0), (0.26, a1), width=6, strength=0.65 * strength)


def _bowfin(on: Brush) -> None:
    """A net of dark lines over olive, cheek bars, and in males a ringed spot at the upper tail base."""
    coat = COATS["BOW"]
    net = np.abs(noise((ROWS, COLUMNS), (44, 34), on.rng, octaves=3))
    patch = noise((ROWS, COLUMNS), (70, 44), on.rng, octaves=2)
    fade = _soft(-_A, -0.45, 0.6) * _soft(_T, 0.16, 0.12)
    strength = on.own.uniform(0.15, 0.75)
    amount = strength * fade * np.clip(_soft(-net, -0.42, 0.5) * 0.8 + 0.35 * _soft(patch, 0.4, 1.0), 0, 1)
    _mix(on.flank, amount, coat.dark)
    for a0, a1 in ((-0.12, -0.16), (0.08, 0.22)):
        _cheek_stripe(on.flank, coat, (0.085, a0), (0.225, a1), width=6, strength=0.55)
    if on.fish.sex == "M" or (on.fish.sex == "U" and on.own.random() < 0.5):
        spot = np.sqrt(((_T - 0.875) / 0.020) ** 2 + ((_A + 0.42) / 0.34) ** 2)
        _mix(on.flank, 0.75 * _soft(-np.abs(spot - 1.35), -0.3, 0.3), (196, 140, 58))
        _mix(on.flank, 0.9 * _soft(-spot, -1.05, 0.3), (24, 22, 16))


def _flecked(on: Brush) -> None:
    """Swamp eel: dark flecks and a faint dark line; some animals are plain."""
    flecks = noise((ROWS, COLUMNS), (9, 9), on.rng, octaves=2)
    _mix(on.flank, on.own.uniform(0, 0.35) * _soft(flecks, 1.1, 0.8) * _soft(-_A, -0.6, 0.4), COATS["ASE"].dark)


def _eel(on: Brush) -> None:
    """Yellow eels are plain; silver ones darken above and whiten below."""
    if on.fish.life_stage == "silver":
        _mix(on.flank, 0.65 * _soft(-_A, -0.05, 0.5), (44, 46, 44))
        _mix(on.flank, 0.75 * _soft(_A, 0.10, 0.5), (206, 208, 204))
    _mix(on.flank, 0.12 * _soft(noise((ROWS, COLUMNS), (9, 9), on.rng, octaves=2), 1.2, 0.8), COATS["EEL"].dark)


def _spotted(on: Brush) -> None:
    """Channel catfish: small dark spots on the side, fewer with size and gone in old on.fish."""
    count = int(max(0.0, (620 - on.fish.length_mm) / 620) * 75 * on.own.uniform(0.3, 1.2))
    spots = np.zeros((ROWS, COLUMNS), np.uint8)
    for _ in range(count):
        t, a = on.rng.uniform(0.24, 0.84), np.clip(on.rng.normal(-0.15, 0.28), -0.8, 0.45)
        cv2.circle(
            spots,
            (int(t * COLUMNS), int((a + 1) / 2 * ROWS)),
            int(on.rng.integers(2, 5)),
            255,
            -1,
            cv2.LINE_AA,
        )
    _mix(on.flank, cv2.GaussianBlur(spots, (0, 0), 0.9).astype(np.float32) / 255 * 0.8, COATS["CCF"].dark)


def _shoulder_spots(on: Brush) -> None:
    """Shad: a dark shoulder spot, then a row of fainter ones that some fish lack."""
    row = [(0.245, -0.34, 0.016, 0.12)]
    faint = [
        (0.245 + 0.045 * i + on.rng.normal(0, 0.004), -0.33 + on.rng.normal(0, 0.02), 0.009, 0.07)
        for i in range(1, int(on.own.integers(1, 9)))
    ]
    warp = _torn(on.rng, 0.2, (16, 16))
    _mix(on.flank, 0.8 * _soft(_blobs(row, warp), 0.2, 0.7), COATS["AMS"].dark)
    _mix(on.flank, on.own.uniform(0.15, 0.45) * _soft(_blobs(faint, warp), 0.2, 0.7), COATS["AMS"].dark)


def _one_spot(on: Brush) -> None:
    """Gizzard shad: one large shoulder spot, faint in big fish, and thin lines along the upper side."""
    strength = float(np.clip((420 - on.fish.length_mm) / 220, 0.1, 0.8))
    _mix(
        on.flank,
        strength * _soft(_blobs([(0.25, -0.26, 0.022, 0.14)], _torn(on.rng, 0.2, (16, 16))), 0.2, 0.7),
        COATS["GZS"].dark,
    )
    lines = (0.5 + 0.5 * np.cos((_A + 1) * 2 * np.pi * 9)) * _soft(-_A, 0.1, 0.3) * _soft(_T, 0.24, 0.08)
    _mix(on.flank, 0.22 * np.asarray(lines, np.float32), COATS["GZS"].dark)


def _striped(on: Brush) -> None:
    """Striped bass: seven or eight dark lines along the scale rows, one or two of them broken."""
    count = int(on.own.integers(7, 9))
    gaps = noise((ROWS, COLUMNS), (60, 14), on.rng, octaves=2)
    amount = np.zeros((ROWS, COLUMNS), np.float32)
    whole = _soft(gaps, -0.6, 0.6)
    for i, place in enumerate(np.linspace(-0.66, 0.38, count)):
        rows = _within(place, 0.08, (-1, 1), ROWS)
        wobble = np.float32(place) + np.float32(0.006) * np.sin(_T * 14 + i)
        line = np.exp(-(((_A[rows] - wobble) / 0.032) ** 2))
        broken = np.float32(1.0) if i < count - 3 else whole[rows]
        amount[rows] = np.maximum(amount[rows], line * broken * np.float32(1.0 if i < count - 2 else 0.7))
    _mix(on.flank, 0.82 * on.own.uniform(0.75, 1.0) * amount * _soft(_T, 0.25, 0.05), COATS["STB"].dark)


def _sucker(on: Brush) -> None:
    """White sucker: in spring some carry a dusky or rosy band along the side."""
    band = np.exp(-(((_A + 0.12) / 0.13) ** 2)) * _soft(_T, 0.1, 0.1)
    if on.fish.sex == "M" and on.own.random() < 0.6:
        _mix(on.flank, 0.40 * np.asarray(band, np.float32), (120, 62, 48))


_PATTERNS: dict[str, Callable[[Brush], None]] = {
    "NSH": _snakehead, "BOW": _bowfin, "ASE": _flecked, "EEL": _eel, "CCF": _spotted, "AMS": _shoulder_spots,
    "GZS": _one_spot, "STB": _striped, "WSK": _sucker,
}  # fmt: skip
