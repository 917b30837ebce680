"""A quick look at pictures that no line names yet: when, by which camera, a slate or not, and a thumbnail.

Comes in: paths. Goes out: :class:`Shot` records. The thorough look, with hashes and every check, is
``images.examine_picture``; this one only serves the pairing and decodes a JPEG at a fraction of its size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import simplejpeg

from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes, write_bytes
from passage_cv.intake.codes import slate_number
from passage_cv.intake.containers import read_container
from passage_cv.intake.exif import read_exif
from passage_cv.intake.images import MAX_FILE_BYTES, MAX_PIXELS, decode_picture
from passage_cv.intake.timeline import Shot
from passage_cv.parallel import map_items
from passage_cv.progress import Progress, silent

THUMBNAIL_SIDE = 240
"""Longest side of a thumbnail, in pixels [ours: a row of ten on a laptop's screen]."""
_LOOKED_AT = 800

Rgb = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class ShotTask:
    """A picture to look at; ``thumbnails`` is the folder for its thumbnail ("" makes none)."""

    image: str
    path: str
    thumbnails: str = ""


def look_at_shots(
    folder: Path, images: Sequence[str], *, thumbnails: Path | None = None, progress: Progress = silent
) -> list[Shot]:
    """Look at pictures of a batch folder, in the order given.

    One that cannot be read stands in the pairing all the same: the checks will say what is wrong with it.
    """
    if thumbnails:
        thumbnails.mkdir(parents=True, exist_ok=True)
    tasks = [ShotTask(image, str(folder / image), str(thumbnails or "")) for image in images]
    return map_items(look_at_shot, tasks, label="Looking for slates", progress=progress)


def look_at_shot(task: ShotTask) -> Shot:
    """One picture's time, camera, slate number and thumbnail."""
    try:
        data = Path(task.path).read_bytes()
    except OSError:
        return Shot(task.image)
    exif = read_exif(data)
    shot = Shot(task.image, exif.taken_at, exif.camera)
    rgb = _small(data)
    if rgb is None:
        return shot
    number = slate_number(np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8))
    if number:
        shot = replace(shot, slate=number, aside=f"slate of fish {number}", purpose="slate")
    return replace(shot, thumbnail=_keep_thumbnail(rgb, task)) if task.thumbnails else shot


def _small(data: bytes) -> Rgb | None:
    """The picture at about 800 pixels; None where it cannot be read."""
    container = read_container(data)
    n_pixels = container.width * container.height if container else 0
    if container is None or len(data) > MAX_FILE_BYTES or not 0 < n_pixels <= MAX_PIXELS:
        return None
    side = max(container.width, container.height)
    scale = min(1.0, _LOOKED_AT / side)
    try:
        if container.kind != "jpg":
            return _at_most(decode_picture(data), _LOOKED_AT)
        least = {"min_width": int(container.width * scale), "min_height": int(container.height * scale)}
        return _at_most(np.asarray(simplejpeg.decode_jpeg(data, strict=False, **least), dtype=np.uint8), _LOOKED_AT)
    except (InputError, ValueError):
        return None


def _at_most(rgb: Rgb, side: int) -> Rgb:
    scale = side / max(rgb.shape[:2])
    if scale >= 1:
        return rgb
    size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _keep_thumbnail(rgb: Rgb, task: ShotTask) -> str:
    name = f"{sha256_bytes(task.image.encode())[:16]}.jpg"
    small = np.ascontiguousarray(_at_most(rgb, THUMBNAIL_SIDE))
    write_bytes(Path(task.thumbnails) / name, simplejpeg.encode_jpeg(small, quality=80), durable=False)
    return name
