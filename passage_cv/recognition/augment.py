"""Pictures varied as water, lens, lamp and camera vary them, so that a network does not learn the day of a sampling.

Comes in: a crop and a seed. Goes out: the crop, changed; the same seed changes it in the same way, whichever process
does it. Proportions are never changed and colours only within bounds, because both tell look-alikes apart. The only
module that knows albumentations.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")  # before it is imported: it asks a registry otherwise

import albumentations

from passage_cv.recognition.crop import CropSettings, Rgb, crop_image, placed_box
from passage_cv.recognition.tuned_settings import AugmentSettings

Effect = Callable[[Rgb, np.random.Generator], Rgb]
Plane = npt.NDArray[np.float32]

VEIL_SHIFT = 16
"""Levels by which the water's veil may differ from the picture's own border: it dims colours and brings none."""
CLEAREST, MURKIEST = 0.95, 0.45
"""Share of the fish's own light that comes through turbid water; below that a person would not name it either."""
GAMMA, BRIGHTER = 0.4, (-0.25, 0.2)
"""Bounds of the natural logs of an exposure's exponent and of its factor."""
GRAIN = (3.0, 14.0)
"""Standard deviation of a sensor's noise at high gain, in levels."""
LATER = ("exposure", "colour", "noise")
"""Effects that, with mirror and geometry, a card can do instead (see ``on_card``)."""


@dataclass(frozen=True, slots=True)
class FromLibrary:
    """A transform of albumentations as an effect; its own draws are seeded from ours.

    A ``Compose`` of the library would hand one seed to all of its transforms, whose draws would then go together.
    """

    transform: Any

    def __call__(self, rgb: Rgb, rng: np.random.Generator) -> Rgb:
        """The picture changed by one draw."""
        self.transform.set_random_seed(int(rng.integers(2**31)))
        changed: Rgb = self.transform(image=rgb)["image"]
        return changed


def turbid_water(rgb: Rgb, rng: np.random.Generator) -> Rgb:
    """A veil in the colour of the picture's border over everything, and a softer picture."""
    through = rng.uniform(MURKIEST, CLEAREST)
    border = np.concatenate([rgb[0], rgb[-1], rgb[:, 0], rgb[:, -1]]).mean(axis=0)
    veil = np.clip(border + rng.uniform(-VEIL_SHIFT, VEIL_SHIFT), 0, 255)
    dimmed = cv2.addWeighted(rgb, through, np.broadcast_to(veil.astype(np.uint8), rgb.shape), 1 - through, 0)
    return _soft(np.asarray(dimmed, dtype=np.uint8), 1.5 * (1 - through))


def exposure(rgb: Rgb, rng: np.random.Generator) -> Rgb:
    """Brighter or darker, and steeper or flatter in the dark parts, by one curve for all channels."""
    gamma, gain = np.exp(rng.uniform(-GAMMA, GAMMA)), np.exp(rng.uniform(*BRIGHTER))
    curve = np.clip(255 * gain * (np.arange(256) / 255) ** gamma, 0, 255).astype(np.uint8)
    return np.asarray(cv2.LUT(rgb, curve), dtype=np.uint8)


def glare(rgb: Rgb, rng: np.random.Generator) -> Rgb:
    """One or two lamp reflections: soft patches that go towards white."""
    light = np.zeros(rgb.shape[:2], np.float32)
    for _ in range(rng.integers(1, 3)):
        light = np.maximum(light, _patch(rgb.shape[:2], rng, 0.05, 0.18) * np.float32(rng.uniform(0.5, 0.95)))
    return _blend(rgb, np.full_like(rgb, 250), light)


def drops(rgb: Rgb, rng: np.random.Generator) -> Rgb:
    """Drops on the glass: in each a smeared, slightly brighter picture."""
    cover = np.zeros(rgb.shape[:2], np.float32)
    side = max(rgb.shape[:2])
    for _ in range(rng.integers(1, 7)):
        centre = (int(rng.integers(rgb.shape[1])), int(rng.integers(rgb.shape[0])))
        cv2.circle(cover, centre, max(2, int(side * rng.uniform(0.02, 0.07))), 0.9, -1, cv2.LINE_AA)
    smeared = cv2.convertScaleAbs(cv2.blur(rgb, (_odd(side / 16), _odd(side / 16))), alpha=1.08, beta=6)
    return _blend(rgb, np.asarray(smeared, np.uint8), cv2.GaussianBlur(cover, (0, 0), 1.0))


def fouled_lens(rgb: Rgb, rng: np.random.Generator) -> Rgb:
    """Growth and mud on the glass: blurred darker patches, never over more than part of the picture."""
    field = cv2.resize(rng.random((6, 6), dtype=np.float32), rgb.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    cover = np.clip((field - np.quantile(field, rng.uniform(0.65, 0.9))) * 3, 0, 0.7).astype(np.float32)
    smeared = cv2.blur(rgb, (_odd(max(rgb.shape) / 12), _odd(max(rgb.shape) / 12)))
    return _blend(rgb, np.asarray(cv2.convertScaleAbs(smeared, alpha=rng.uniform(0.4, 0.8)), np.uint8), cover)


def far_focus(rgb: Rgb, rng: np.random.Generator) -> Rgb:
    """A fish before or behind the plane of focus."""
    return _soft(rgb, rng.uniform(0.5, 1.8) * max(rgb.shape[:2]) / 224)


def noise(rgb: Rgb, rng: np.random.Generator) -> Rgb:
    """Sensor noise at high gain, alike in all channels."""
    grain = rng.standard_normal(rgb.shape[:2], dtype=np.float32) * np.float32(rng.uniform(*GRAIN))
    return np.clip(rgb + grain[:, :, None], 0, 255).astype(np.uint8)


def infrared(rgb: Rgb, rng: np.random.Generator) -> Rgb:
    """A night view: one channel, lit from a lamp at one side."""
    share = rng.dirichlet((6.0, 3.0, 2.0)).astype(np.float32)
    grey = rgb.astype(np.float32) @ share
    lamp = 0.75 + 0.5 * _patch(rgb.shape[:2], rng, 0.4, 0.8)
    return np.repeat(np.clip(grey * lamp, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


def effects_of(settings: AugmentSettings) -> dict[str, Effect]:
    """Every effect on light and lens in the order in which light meets it; each name is a chance of the settings."""
    shift = settings.colour_shift
    colour = albumentations.RGBShift((-shift, shift), (-shift, shift), (-shift, shift), p=1)
    return {
        "turbid_water": turbid_water,
        "glare": glare,
        "infrared": infrared,
        "drops": drops,
        "fouled_lens": fouled_lens,
        "far_focus": far_focus,
        "motion_blur": FromLibrary(albumentations.MotionBlur(blur_limit=(3, 9), p=1)),
        "exposure": exposure,
        "colour": FromLibrary(colour),
        "noise": noise,
    }


class Augmentation:
    """All effects of the settings by their chances, on the picture's part of a crop; geometry on the whole crop.

    Parameters
    ----------
    settings
        See :class:`~passage_cv.recognition.tuned_settings.AugmentSettings`.
    crop
        Whose grey fills what geometry uncovers.
    is_first_part
        Leave out what a card will do afterwards: the effects of ``LATER``, mirror and geometry.
    """

    def __init__(self, settings: AugmentSettings, crop: CropSettings, *, is_first_part: bool = False) -> None:
        self.settings = settings
        self.crop = crop
        self.is_first_part = is_first_part
        effects = effects_of(settings)
        self.effects = {name: one for name, one in effects.items() if not (is_first_part and name in LATER)}
        self.chances = {name: getattr(settings, name) for name in self.effects}
        self.geometry: Effect = FromLibrary(
            albumentations.Affine(
                scale=(settings.smallest_scale, settings.largest_scale),
                keep_ratio=True,
                rotate=(-settings.turn_degrees, settings.turn_degrees),
                translate_percent=(-settings.move, settings.move),
                fill=crop.fill,
                p=1,
            )
        )

    def vary(self, rgb: Rgb, seed: int) -> Rgb:
        """A picture (height, width, 3) as a crop (size, size, 3), varied by this seed."""
        rng = np.random.default_rng(seed)
        square = crop_image(_halved(rgb, self.crop.size), self.crop)
        top, left, height, width = placed_box(rgb.shape[0], rgb.shape[1], self.crop.size)
        inside = np.ascontiguousarray(square[top : top + height, left : left + width])
        for name, effect in self.effects.items():
            if rng.random() < self.chances[name]:
                inside = effect(inside, rng)
        square[top : top + height, left : left + width] = inside
        return square if self.is_first_part else self._turned(square, rng)

    def _turned(self, square: Rgb, rng: np.random.Generator) -> Rgb:
        """Mirror and geometry, by their chances."""
        if self.settings.mirrored and rng.random() < 0.5:
            square = square[:, ::-1]
        if rng.random() < self.settings.geometry:
            square = self.geometry(np.ascontiguousarray(square), rng)
        return np.ascontiguousarray(square)


def draw_gallery(pictures: Sequence[Rgb], settings: AugmentSettings, crop: CropSettings, *, seed: int = 1) -> Rgb:
    """A contact sheet: a row for each effect alone, for geometry, and for all by their chances; a column a picture.

    Parameters
    ----------
    pictures
        As decoded; the first row shows them unchanged.
    settings, crop
        As in a run.
    seed
        Of the first column; the next columns count up.
    """
    chances = dict.fromkeys(effects_of(settings), 0.0)
    nothing = settings.model_copy(update={**chances, "geometry": 0.0, "mirrored": False})
    rows: Mapping[str, AugmentSettings] = {
        "as photographed": nothing,
        **{name: nothing.model_copy(update={name: 1.0}) for name in [*chances, "geometry"]},
        "all, by their chances": settings,
    }
    return np.concatenate([_gallery_row(name, pictures, Augmentation(row, crop), seed) for name, row in rows.items()])


def _gallery_row(name: str, pictures: Sequence[Rgb], augmentation: Augmentation, seed: int) -> Rgb:
    label = np.full((augmentation.crop.size, augmentation.crop.size, 3), 255, np.uint8)
    words = name.replace("_", " ")
    side = augmentation.crop.size
    cv2.putText(label, words, (4, side // 2), cv2.FONT_HERSHEY_SIMPLEX, side / 400, (0, 0, 0), 1, cv2.LINE_AA)
    views = [augmentation.vary(rgb, seed + column) for column, rgb in enumerate(pictures)]
    return np.concatenate([label, *views], axis=1)


def _halved(rgb: Rgb, size: int) -> Rgb:
    """A picture halved while it is at least twice too large; area averaging goes on from there.

    On average within about a level of 255 of averaging at once, in a third of the time: the largest part of a crop.
    """
    while max(rgb.shape[:2]) >= 2 * size and min(rgb.shape[:2]) > 1:
        height, width = rgb.shape[:2]
        rgb = np.asarray(cv2.resize(rgb, (width // 2, height // 2), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return rgb


def _soft(rgb: Rgb, sigma: float) -> Rgb:
    return np.asarray(cv2.GaussianBlur(rgb, (0, 0), sigma), dtype=np.uint8) if sigma > 0.1 else rgb


def _patch(shape: tuple[int, ...], rng: np.random.Generator, smallest: float, largest: float) -> Plane:
    """A soft round patch of height 1 somewhere in a plane, its radius a share of the longer side."""
    side = max(shape)
    radius = np.float32(side * rng.uniform(smallest, largest))
    rows = np.arange(shape[0], dtype=np.float32)[:, None] - np.float32(rng.uniform(0, shape[0]))
    columns = np.arange(shape[1], dtype=np.float32)[None] - np.float32(rng.uniform(0, shape[1]))
    patch: Plane = np.exp(-0.5 * (rows / radius) ** 2) * np.exp(-0.5 * (columns / radius) ** 2)
    return patch


def _blend(rgb: Rgb, other: Rgb, share: npt.NDArray[Any]) -> Rgb:
    """``other`` instead of ``rgb`` by a share for each pixel."""
    return np.asarray(
        cv2.blendLinear(rgb, other, np.float32(1) - share, np.ascontiguousarray(share, np.float32)), dtype=np.uint8
    )


def _odd(size: float) -> int:
    return max(3, int(size) // 2 * 2 + 1)
