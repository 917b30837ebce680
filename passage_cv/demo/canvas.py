"""A transparent sheet on which one straight fish is painted, layer over layer."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]
Region = tuple[slice, slice]
Rgba = npt.NDArray[np.uint8]
_SHIFT = 4
_TURN = np.linspace(0, 2 * np.pi, 28, endpoint=False)
_CIRCLE = np.stack([np.cos(_TURN), np.sin(_TURN)], axis=1)


class Canvas:
    """Four planes (red, green, blue, opacity; colour already multiplied by opacity) and the fish's place on them.

    ``planes`` is float32 (4, rows, columns), 0 to 1.

    Parameters
    ----------
    scale
        Pixels per total length.
    above, below
        Room above and below the body's axis, in total lengths.
    before, behind
        Room before the snout and behind the tail, in total lengths.
    """

    def __init__(
        self, scale: float, *, above: float, below: float, before: float = 0.06, behind: float = 0.06
    ) -> None:
        self.scale = scale
        self.x0 = round(before * scale) + 2
        self.y0 = round(above * scale) + 2
        width = self.x0 + round((1 + behind) * scale) + 2
        height = self.y0 + round(below * scale) + 2
        self.planes = np.zeros((4, height, width), np.float32)
        self._stretch = np.array((scale, -scale))
        self._origin = np.array((self.x0 - 0.5, self.y0 - 0.5))

    def columns(self) -> Floats:
        """``t`` of every column's middle."""
        return ((np.arange(self.planes.shape[2]) - self.x0 + 0.5) / self.scale).astype(np.float32)

    def rows(self) -> Floats:
        """``y`` of every row's middle, upward positive."""
        return ((self.y0 - 0.5 - np.arange(self.planes.shape[1])) / self.scale).astype(np.float32)

    def place(self, points: Sequence[tuple[float, float]] | Points) -> Points:
        """Pixel positions (x, y) of points given as (t, y)."""
        return np.asarray(np.asarray(points, np.float64) * self._stretch + self._origin)

    def region(self, points: Points, pad: float) -> Region | None:
        """The part of the sheet that holds some pixel positions, or nothing if they all lie outside."""
        height, width = self.planes.shape[1:]
        left, top, wide, tall = cv2.boundingRect(points.astype(np.float32))
        margin = int(pad) + 1
        rows = slice(max(0, top - margin), min(height, top + tall + margin))
        columns = slice(max(0, left - margin), min(width, left + wide + margin))
        return (rows, columns) if rows.start < rows.stop and columns.start < columns.stop else None

    def paint(self, region: Region, colour: Sequence[float] | Sequence[Floats], alpha: Floats) -> None:
        """Lay a colour (red, green, blue, 0 to 1, each one number or one per pixel) over a region."""
        rest = 1 - alpha
        for plane, value in zip(self.planes, (*colour, 1.0), strict=True):
            target = plane[region]
            cv2.multiply(target, rest, dst=target)
            if isinstance(value, np.ndarray):
                target += alpha * value
            else:
                cv2.scaleAdd(alpha, value, target, dst=target)

    def pixels(self) -> Rgba:
        """The sheet as 8-bit pixels, (rows, columns, 4), colour still multiplied by opacity."""
        return np.asarray(cv2.merge([cv2.convertScaleAbs(plane, alpha=255) for plane in self.planes]))

    def fill(self, *outlines: Points, colour: Sequence[float], alpha: float = 1.0, blur: float = 0.0) -> None:
        """Fill polygons given in (t, y), all in one layer."""
        placed = [self.place(outline) for outline in outlines]
        region = self.region(np.concatenate(placed), 2 + 3 * blur)
        if region is not None:
            self.paint(region, colour, polygon_mask(placed, region, blur=blur) * np.float32(alpha))

    def stroke(
        self, *lines: Points, colour: Sequence[float], width: float, alpha: float = 1.0, blur: float = 0.0
    ) -> None:
        """Draw polylines given in (t, y); ``width`` in total lengths, thinner than a pixel fades instead."""
        placed = [self.place(line) for line in lines]
        region = self.region(np.concatenate(placed), 3 + 3 * blur + width * self.scale)
        if region is not None:
            mask = stroke_mask(placed, region, width * self.scale, blur=blur)
            self.paint(region, colour, mask * np.float32(alpha))

    def disc(
        self,
        centre: tuple[float, float],
        radius: float,
        colour: Sequence[float],
        *,
        alpha: float = 1.0,
        blur: float = 0.0,
        squash: float = 1.0,
    ) -> None:
        """Fill an ellipse of horizontal radius ``radius`` and vertical ``radius * squash``."""
        self.fill(np.array(centre) + _CIRCLE * (radius, radius * squash), colour=colour, alpha=alpha, blur=blur)


def shifted(line: Points, t: float, y: float) -> Points:
    """The same line, moved."""
    return np.asarray(line + np.array([t, y]))


def tapered(line: Points, width: float, *, ends: tuple[float, float] = (0.0, 0.0)) -> Points:
    """Outline of a line that is ``width`` thick in its middle and ``ends`` times that at both ends."""
    return widened(line, width * _swell(len(line), ends))


def widened(line: Points, width: Points) -> Points:
    """Outline of a line of given widths, one for each of its points."""
    along = np.empty_like(line)
    along[1:-1] = line[2:] - line[:-2]
    along[0], along[-1] = line[1] - line[0], line[-1] - line[-2]
    reach = 0.5 * width / (np.hypot(along[:, 0], along[:, 1]) + 1e-9)
    offset = along[:, ::-1] * _QUARTER_TURN * reach[:, None]
    return np.concatenate([line + offset, (line - offset)[::-1]])


_QUARTER_TURN = np.array((-1.0, 1.0))


@cache
def _swell(count: int, ends: tuple[float, float]) -> Points:
    """Width along a tapered line, 1 in its middle."""
    s = np.linspace(0, 1, count)
    return np.maximum(np.sin(np.pi * s), ends[0] * (1 - s) + ends[1] * s)


def polygon_mask(outlines: Sequence[Points], region: Region, *, blur: float = 0.0) -> Floats:
    """Antialiased mask of polygons of pixel positions within a region, 0 to 1."""
    mask = _blank(region)
    for outline in outlines:
        cv2.fillPoly(mask, [_fixed(outline, region)], 255, cv2.LINE_AA, _SHIFT)
    return _floating(mask, blur)


def stroke_mask(lines: Sequence[Points] | Points, region: Region, width: float, *, blur: float = 0.0) -> Floats:
    """Antialiased mask of polylines of pixel positions; below one pixel wide they fade.

    ``lines`` is a list of lines, or one array (lines, points, 2).
    """
    mask = _blank(region)
    many = isinstance(lines, np.ndarray)
    fixed = list(_fixed(np.asarray(lines), region)) if many else [_fixed(line, region) for line in lines]
    thick = max(1, round(width))
    cv2.polylines(mask, fixed, isClosed=False, color=255, thickness=thick, lineType=cv2.LINE_AA, shift=_SHIFT)
    return _floating(mask, blur) * np.float32(min(1.0, max(width, 0.25)))


def _floating(mask: npt.NDArray[np.uint8], blur: float) -> Floats:
    """Blur a mask and bring it to 0 to 1; wide blurs are done at a quarter of the size."""
    if blur >= 3:
        size = (mask.shape[1], mask.shape[0])
        small = cv2.resize(mask, (size[0] // 4 + 1, size[1] // 4 + 1), interpolation=cv2.INTER_AREA)
        mask = np.asarray(cv2.resize(cv2.GaussianBlur(small, (0, 0), blur / 4), size), np.uint8)
    elif blur >= 0.3:
        mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), blur), np.uint8)
    return np.multiply(mask, np.float32(1 / 255), dtype=np.float32)


def _blank(region: Region) -> npt.NDArray[np.uint8]:
    return np.zeros((region[0].stop - region[0].start, region[1].stop - region[1].start), np.uint8)


def _fixed(points: Points, region: Region) -> npt.NDArray[np.int32]:
    corner = np.array((region[1].start, region[0].start), np.float64)
    return np.rint((points - corner) * (1 << _SHIFT)).astype(np.int32)
