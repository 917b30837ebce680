"""Take pictures: a shot becomes pixels, pixels become a JPEG file with the camera's facts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import simplejpeg

from passage_cv.demo.above import draw_above
from passage_cv.demo.camera import add_flicker, add_noise, develop
from passage_cv.demo.canvas import Canvas, Region
from passage_cv.demo.drawing import draw_carriage
from passage_cv.demo.exif import with_exif
from passage_cv.demo.pose import draw_pose, lay
from passage_cv.demo.riders import paint_rider
from passage_cv.demo.scenery import lamplight, ripples, wall
from passage_cv.demo.shot import Shot, Subject
from passage_cv.demo.side import draw_side
from passage_cv.demo.sites import SETUPS, Light
from passage_cv.demo.water import (
    WALL_DISTANCE,
    Haze,
    add_drops,
    add_film,
    add_glare,
    add_specks,
    behind,
    haze_of,
    through,
)
from passage_cv.files import write_bytes
from passage_cv.parallel import map_items
from passage_cv.progress import Progress, silent

QUALITY = 88
Rgb = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Exposure:
    """A shot, the file it goes to, and what the camera writes into it."""

    path: Path
    shot: Shot
    camera: str
    taken_at: datetime


def take_pictures(exposures: Sequence[Exposure], *, progress: Progress = silent) -> None:
    """Render and write all pictures, in several processes."""
    map_items(take_picture, exposures, label="Drawing pictures", progress=progress)


def take_picture(exposure: Exposure) -> str:
    """Render one picture, write it, and return its SHA-256."""
    cv2.setNumThreads(1)  # the pool already uses every core
    jpeg = simplejpeg.encode_jpeg(render(exposure.shot), quality=QUALITY, colorsubsampling="420")
    whole = with_exif(jpeg, camera=exposure.camera, taken_at=exposure.taken_at)
    return write_bytes(exposure.path, whole, durable=False)


def render(shot: Shot) -> Rgb:
    """Render one shot, uint8 (540, 960, 3) RGB; the same shot gives the same pixels."""
    image = _behind(shot.setup_id, shot.day_seed, shot.light, shot.turbidity_ntu, above=shot.above).copy()
    for place, subject in enumerate(shot.subjects):
        _add_fish(image, shot, subject, place, shot.rng(1 + place))
    return _finish(image, shot, shot.rng(0))


@lru_cache(maxsize=6)
def _behind(setup_id: str, day_seed: int, light: Light, turbidity_ntu: float, *, above: bool) -> Rgb:
    """The empty view: wall through the water, under the day's light."""
    lamp, haze = lamplight(day_seed, light, above=above), haze_of(turbidity_ntu).at(WALL_DISTANCE)
    if light == "day":
        lamp = ripples(lamp, day_seed, haze.clear)
    return behind(wall(setup_id, day_seed, above=above), haze, lamp)


def _add_fish(image: Rgb, shot: Shot, subject: Subject, place: int, rng: np.random.Generator) -> None:
    """Draw one fish into the picture, in place."""
    length = subject.fish.length_mm / SETUPS[shot.setup_id].mm_per_px * float(rng.uniform(0.92, 1.08))
    canvas = _paint(shot, subject, length, place, rng)
    apart = (float(rng.normal(0, 60)), 200.0 * place - 100.0) if len(shot.subjects) > 1 else (0.0, 0.0)
    pose = draw_pose(subject.fish.code, length, subject.view, rng, offset=apart)
    speed = float(rng.gamma(1.0, 2.2)) * (1.0 if shot.light == "day" else 1.6)
    laid = lay(canvas, pose, smear_px=min(15.0, speed))
    if laid is None:
        return
    region, sharp = laid
    haze = haze_of(shot.turbidity_ntu).at(float(rng.uniform(0.75, 1.25)))
    focus = haze.blur + float(rng.gamma(1.2, 0.25))
    layer = np.asarray(cv2.GaussianBlur(sharp, (0, 0), max(0.3, focus)), np.uint8)
    _cast_shadow(image, layer[..., 3], region, haze)
    fish = through(layer, haze, lamplight(shot.day_seed, shot.light, above=shot.above)[region])
    rest = cv2.cvtColor(255 - layer[..., 3], cv2.COLOR_GRAY2RGB)
    image[region] = cv2.add(cv2.multiply(image[region], rest, scale=1 / 255), fish)


_SHEET_SCALE = 0.8
"""Fineness of a fish's own sheet, in pixels per pixel of the picture: water and focus blur more than this loses."""


def _paint(shot: Shot, subject: Subject, length: float, place: int, rng: np.random.Generator) -> Canvas:
    scale = float(np.clip(_SHEET_SCALE * length, 300, 700))
    carriage = draw_carriage(rng)
    if subject.view == "top":
        canvas = draw_above(subject.fish, carriage, scale, rng)
    else:
        canvas = draw_side(subject.fish, int(subject.view == "right"), carriage, scale, rng)
    if shot.attached and place == 0:
        paint_rider(canvas, rng)
    return canvas


def _cast_shadow(image: Rgb, cover: npt.NDArray[np.uint8], region: Region, haze: Haze) -> None:
    """A soft shadow on the wall a little below the fish, in place; lost in turbid water."""
    rows, columns = region
    shift = min(26, image.shape[0] - rows.stop)
    if shift <= 0:
        return
    small = cv2.resize(cover, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(small, (0, 0), 3.5)
    darker = cv2.convertScaleAbs(soft, alpha=-0.20 * haze.clear**WALL_DISTANCE, beta=255)
    wide = cv2.resize(darker, cover.shape[::-1], interpolation=cv2.INTER_LINEAR)
    below = (slice(rows.start + shift, rows.stop + shift), columns)
    image[below] = cv2.multiply(image[below], cv2.cvtColor(wide, cv2.COLOR_GRAY2RGB), scale=1 / 255)


def _finish(image: Rgb, shot: Shot, rng: np.random.Generator) -> Rgb:
    """Specks, window, camera."""
    add_specks(image, shot.turbidity_ntu, rng)
    if rng.random() < 0.16:
        add_glare(image, rng)
    if rng.random() < 0.12:
        add_drops(image, rng)
    if shot.fouled > 0:
        add_film(image, shot.fouled, rng)
    if rng.random() < 0.12:
        image = add_flicker(image, rng)
    exposure = float(np.exp(rng.normal(0, 0.07))) * (0.22 if shot.lamp_failed else 1.0)
    image = develop(image, SETUPS[shot.setup_id], shot.light, exposure)
    return add_noise(image, shot.light, rng, more=1.8 if shot.lamp_failed else 1.0)
