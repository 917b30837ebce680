"""One look at one picture file: hash, container, a single decode, and all that is taken from it.

Comes in: a path. Goes out: a :class:`Picture` that says what was found or what is wrong, and never raises.
Pixels do not leave this module except through :func:`decode_picture`; thousands of pictures are looked at
in flat memory.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import simplejpeg

from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.intake.containers import Container, read_container
from passage_cv.intake.exif import NO_SETTINGS, CameraSettings, read_exif
from passage_cv.intake.looks import Looks, look_at
from passage_cv.intake.scale import Scale, measure_scale
from passage_cv.intake.sketches import Backdrop
from passage_cv.intake.targets import Target, measure_target
from passage_cv.intake.views import View, view_of

Rgb = npt.NDArray[np.uint8]

PICTURE_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".bmp", ".webp"})
NOT_THERE = "did not come with the batch"
"""The problem of a picture that the sheet names and no file is."""
MAX_FILE_BYTES = 200 * 1024 * 1024
"""A picture file above this is refused unread [ours: ten times the raw frame of a 20-megapixel camera]."""
MAX_PIXELS = 120_000_000
"""A picture above this is refused undecoded [ours: above any camera body sold for this work]."""
WORKING_SIDE = 640
"""Longest side of the reduced copy, in pixels."""
WORKING_QUALITY = 95
NO_LOOKS, NO_SCALE = Looks(), Scale()


@dataclass(frozen=True, slots=True)
class PictureTask:
    """What to look at: ``name`` as the sheet has it; ``workspace`` takes reduced copies ("" makes none).

    ``has_marker`` asks for the scale marker that the batch says is there, ``is_target`` for the numbers of a
    reference target, ``wants_sketch`` for the sketch of an empty view. ``backdrops`` are the empty views, by camera,
    that the picture is held against; ``camera`` is the one that its line names, if any.
    """

    name: str
    path: str
    workspace: str = ""
    has_marker: bool = False
    wants_sketch: bool = False
    is_target: bool = False
    camera: str = ""
    backdrops: Mapping[str, Backdrop] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Picture:
    """What one look found. ``problem`` is empty where the picture is whole and readable.

    ``kind`` is the true file ending by its first bytes; ``trailing_bytes`` counts what follows the picture in
    the file; ``view`` is known where the batch has empty views of the same camera; ``working`` is the path of the
    reduced copy, or empty where the picture is small already.
    """

    name: str
    path: str
    sha256: str = ""
    n_bytes: int = 0
    kind: str = ""
    width: int = 0
    height: int = 0
    trailing_bytes: int = 0
    taken_at: str = ""
    camera: str = ""
    orientation: int = 1
    settings: CameraSettings = NO_SETTINGS
    looks: Looks = NO_LOOKS
    scale: Scale = NO_SCALE
    target: Target | None = None
    view: View | None = None
    working: str = ""
    problem: str = ""


def examine_picture(task: PictureTask) -> Picture:
    """Look at one picture file once; what is wrong with it is in ``problem``.

    Where nothing asks for colour, a JPEG's luminance alone is decoded: every coded bit is still read, so damage is
    found all the same, in two thirds of the time; its looks then differ by rounding.
    """
    seen = Picture(task.name, task.path)
    try:
        n_bytes = os.stat(task.path).st_size  # noqa: PTH116 - thousands of calls, and a str travels cheaper
        if n_bytes > MAX_FILE_BYTES:
            return replace(seen, n_bytes=n_bytes, problem=f"file of {n_bytes} bytes, at most {MAX_FILE_BYTES}")
        data = Path(task.path).read_bytes()
    except FileNotFoundError:
        return replace(seen, problem=NOT_THERE)
    except OSError as error:
        return replace(seen, problem=f"cannot be opened: {error.strerror}")
    exif = read_exif(data)
    seen = replace(
        seen,
        sha256=sha256_bytes(data),
        n_bytes=len(data),
        taken_at=exif.taken_at,
        camera=exif.camera,
        orientation=exif.orientation,
        settings=exif.settings,
    )
    container = read_container(data)
    if container is None:
        return replace(seen, problem="not a JPEG, PNG, BMP or WebP picture")
    seen = replace(seen, kind=container.kind, width=container.width, height=container.height)
    try:
        pixels = _decode(data, container, colour=bool(task.workspace) or task.has_marker or task.is_target)
    except InputError as error:
        return replace(seen, problem=error.what)
    trailing = max(0, len(data) - container.n_bytes) if container.n_bytes else 0
    reduced = reduce_picture(pixels)
    working = _keep_working(reduced, seen.sha256, task) if reduced is not pixels and task.workspace else ""
    shrunk = pixels.shape[1] / reduced.shape[1]
    backdrop = task.backdrops.get(task.camera or seen.camera)
    looks = look_at(reduced, sketched=task.wants_sketch or backdrop is not None)
    return replace(
        seen,
        trailing_bytes=trailing,
        looks=looks if task.wants_sketch else replace(looks, sketch=b""),
        view=view_of(looks.sketch, pixels, backdrop) if backdrop else None,
        scale=measure_scale(reduced, shrunk) if task.has_marker else NO_SCALE,
        target=measure_target(reduced, scale=shrunk) if task.is_target else None,
        working=working,
    )


def decode_picture(data: bytes, *, where: str = "picture", at_least: int | None = None) -> Rgb:
    """Decode the bytes of a JPEG, PNG, BMP or WebP picture, strictly.

    Pixels are as stored: an orientation tag is not applied, so training and gate see the same.

    Parameters
    ----------
    data
        The file.
    where
        What a refusal names.
    at_least
        For training only: a JPEG whose longest side is twice this or more is halved, or halved again, while it is
        decoded, which takes two thirds of the time. None, as everywhere else, gives every pixel.

    Returns
    -------
    uint8 array (height, width, 3)
        Red, green, blue.

    Raises
    ------
    InputError
        If it is not such a picture, is damaged, or would unpack to more than ``MAX_PIXELS``.
    """
    container = read_container(data)
    if container is None:
        raise InputError(
            "Not a JPEG, PNG, BMP or WebP picture", where=where, do="Take the file from the camera again."
        )
    try:
        return _decode(data, container, at_least)
    except InputError as error:
        raise InputError(error.what, where=where, do="Take the file from the camera again.") from error


def reduce_picture(rgb: Rgb) -> Rgb:
    """The picture with its longest side at ``WORKING_SIDE``, or itself if small already.

    Halved by area averaging while it is at least twice too large, then bilinear: as free of moire as area
    averaging throughout, in a fifth of its time.
    """
    if max(rgb.shape[:2]) <= WORKING_SIDE:
        return rgb
    while max(rgb.shape[:2]) >= 2 * WORKING_SIDE:
        height, width = rgb.shape[:2]
        rgb = _resized(rgb, width // 2, height // 2, cv2.INTER_AREA)
    height, width = rgb.shape[:2]
    scale = WORKING_SIDE / max(height, width)
    return _resized(rgb, round(width * scale), round(height * scale), cv2.INTER_LINEAR)


def _resized(rgb: Rgb, width: int, height: int, interpolation: int) -> Rgb:
    size = (max(1, width), max(1, height))
    return np.asarray(cv2.resize(rgb, size, interpolation=interpolation), dtype=np.uint8)


def encode_working(rgb: Rgb) -> bytes:
    """A reduced copy as JPEG, quality 95, colour not subsampled."""
    data: bytes = simplejpeg.encode_jpeg(
        np.ascontiguousarray(rgb), quality=WORKING_QUALITY, colorspace="RGB", colorsubsampling="444"
    )
    return data


def _decode(data: bytes, container: Container, at_least: int | None = None, *, colour: bool = True) -> Rgb:
    """Pixels (height, width, 3), or (height, width, 1) of a JPEG without ``colour``."""
    n_pixels = container.width * container.height
    if not 0 < n_pixels <= MAX_PIXELS:
        raise InputError(f"{container.width} x {container.height} pixels, allowed 1 to {MAX_PIXELS} in all")
    if container.kind == "jpg":
        try:
            height, width = _halved_size(container, at_least)
            return np.asarray(
                simplejpeg.decode_jpeg(
                    data,
                    colorspace="RGB" if colour else "GRAY",
                    strict=True,
                    min_height=height,
                    min_width=width,
                    min_factor=1,
                ),
                dtype=np.uint8,
            )
        except ValueError as error:
            raise InputError(f"damaged JPEG: {error}") from error
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        decoded = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flags)
    except cv2.error as error:
        raise InputError(f"damaged {container.kind.upper()}: {error.err}") from error
    if decoded is None or container.n_bytes == 0 or container.n_bytes > len(data):
        raise InputError(f"damaged or truncated {container.kind.upper()}")
    return np.asarray(decoded, dtype=np.uint8)


def _keep_working(reduced: Rgb, sha256: str, task: PictureTask) -> str:
    path = Path(task.workspace) / f"{sha256}.jpg"
    path.write_bytes(encode_working(reduced))
    return str(path)


def _halved_size(container: Container, at_least: int | None) -> tuple[int, int]:
    """Height and width after halving while the longest side stays at ``at_least``; 0, 0 asks for every pixel."""
    halvings = 0
    while at_least and max(container.width, container.height) >= at_least << (halvings + 1):
        halvings += 1
    step = 1 << halvings
    return (-(-container.height // step), -(-container.width // step)) if halvings else (0, 0)
