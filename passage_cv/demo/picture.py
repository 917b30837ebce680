"""Take pictures: a shot becomes pixels, pixels become a JPEG file with the camera's facts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import simplejpeg

from passage_cv.demo.exif import with_exif
from passage_cv.demo.shot import HEIGHT, WIDTH, Shot
from passage_cv.demo.sites import SETUPS
from passage_cv.demo.species import CODES
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
    return write_bytes(exposure.path, with_exif(jpeg, camera=exposure.camera, taken_at=exposure.taken_at))


_DEPTH = dict(zip(CODES, (0.15, 0.22, 0.05, 0.13, 0.06, 0.19, 0.25, 0.22, 0.20, 0.30, 0.19, 0.30, 0.23), strict=True))


def render(shot: Shot) -> Rgb:
    """Render one shot, uint8 (540, 960, 3) RGB."""
    rng = shot.rng()
    setup = SETUPS[shot.setup_id]
    image = np.empty((HEIGHT, WIDTH, 3), np.uint8)
    image[:] = setup.wall
    for subject in shot.subjects:
        fish = subject.fish
        length = fish.length_mm / setup.mm_per_px
        center = (int(480 + rng.normal(0, 80)), int(270 + rng.normal(0, 50)))
        own = np.random.default_rng(fish.seed)
        shade = int(60 + own.normal(0, 8)) + 8 * list(_DEPTH).index(fish.code)
        axes = (int(length / 2), max(3, int(length * _DEPTH[fish.code] / 2)))
        cv2.ellipse(image, center, axes, rng.normal(0, 6), 0, 360, (shade, shade, shade - 20), -1, cv2.LINE_AA)
    noise = rng.integers(-6, 7, image.shape, dtype=np.int8)
    out: Rgb = np.clip(image.astype(np.int16) + noise, 0, 255).astype(np.uint8)
    return out
