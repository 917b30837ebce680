"""The later part of varying pictures, on a whole batch at once where there is a card: tone, noise, mirror, geometry.

Comes in: crops as the workers made them, each with the box its picture fills and a seed. Goes out: the network's
input. The workers' part is what bends or hides light (``augment``); this part is what costs a processor most. Both do
the same to a picture within the same bounds, though not by the same numbers. Torchvision's transforms draw one set of
numbers for a whole batch, so its functions are used where pictures can share them and torch's own elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor
from torch.nn import functional
from torchvision.transforms.v2 import functional as pictures

from passage_cv.recognition.augment import BRIGHTER, GAMMA, GRAIN
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.transforms import normalise
from passage_cv.recognition.tuned_settings import AugmentSettings

LEVELS = 255.0
Floats = npt.NDArray[np.float64]


class CardEffects:
    """Tone, noise, mirror and geometry of a batch by their chances.

    Parameters
    ----------
    settings
        See :class:`~passage_cv.recognition.tuned_settings.AugmentSettings`.
    crop
        Whose grey stands beside the picture and fills what geometry uncovers.
    """

    def __init__(self, settings: AugmentSettings, crop: CropSettings) -> None:
        self.settings = settings
        self.fill = float(crop.fill)

    def __call__(self, crops: Tensor, boxes: Tensor, seeds: Sequence[int]) -> Tensor:
        """Vary a batch and make it the network's input.

        Parameters
        ----------
        crops
            8-bit, (n, size, size, 3), on the card.
        boxes
            Top, left, height and width of the picture in each crop, (n, 4), on the same card.
        seeds
            Of each picture; the same seeds in the same batch change it in the same way on the same card.

        Returns
        -------
        Tensor (n, 3, size, size)
            Float, -1 to 1, channels-last in memory.
        """
        rng = np.random.default_rng(list(seeds))
        x = pictures.to_dtype(crops.permute(0, 3, 1, 2), torch.float32, scale=False)
        x = self._with_noise(self._toned(x, rng), rng)
        x = x.masked_fill_(~_inside(boxes, x.shape[-1]), self.fill)
        return normalise(self._moved(self._mirrored(x, rng), rng))

    def _toned(self, x: Tensor, rng: np.random.Generator) -> Tensor:
        """Exposure by one curve for all channels, then a shift of each channel."""
        n, bound = len(x), self.settings.colour_shift
        exposed = rng.random(n) < self.settings.exposure
        gamma = np.where(exposed, np.exp(rng.uniform(-GAMMA, GAMMA, n)), 1.0)
        gain = np.where(exposed, np.exp(rng.uniform(*BRIGHTER, n)), 1.0)
        shift = rng.integers(-bound, bound + 1, (n, 3)) * (rng.random((n, 1)) < self.settings.colour)
        curved = (x / LEVELS).pow_(_each(gamma, x)).mul_(_each(LEVELS * gain, x)).clamp_(0, LEVELS)
        return curved.add_(_each(shift, x)).clamp_(0, LEVELS)

    def _with_noise(self, x: Tensor, rng: np.random.Generator) -> Tensor:
        """Sensor noise, alike in all channels."""
        n, side = len(x), x.shape[-1]
        sigma = rng.uniform(*GRAIN, n) * (rng.random(n) < self.settings.noise)
        chance = torch.Generator(x.device).manual_seed(int(rng.integers(2**62)))
        noisy = np.flatnonzero(sigma)
        if not len(noisy):
            return x
        rows = sent(noisy, x.device)
        grain = torch.randn((len(noisy), 1, side, side), generator=chance, device=x.device)
        return x.index_add_(0, rows, (grain * _each(sigma[noisy], x)).expand(-1, 3, -1, -1)).clamp_(0, LEVELS)

    def _mirrored(self, x: Tensor, rng: np.random.Generator) -> Tensor:
        """Left and right exchanged in about half of the pictures, where sides do not matter."""
        turned = rng.random(len(x)) < 0.5
        if not self.settings.mirrored or not turned.any():
            return x
        rows = sent(np.flatnonzero(turned), x.device)
        return x.index_copy_(0, rows, pictures.horizontal_flip(x[rows]))

    def _moved(self, x: Tensor, rng: np.random.Generator) -> Tensor:
        """Turned, scaled alike in both axes, and moved; pictures that are not stay as they are."""
        moving = np.flatnonzero(rng.random(len(x)) < self.settings.geometry)
        matrices = _backward(self.settings, len(x), rng)[moving]
        if not len(moving):
            return x
        rows = sent(moving, x.device)
        theta = sent(matrices.astype(np.float32), x.device)
        chosen = x[rows] - self.fill  # beyond its edge the sampler gives 0
        grid = functional.affine_grid(theta, list(chosen.shape), align_corners=False)
        moved = functional.grid_sample(chosen, grid, mode="bilinear", align_corners=False) + self.fill
        return x.index_copy_(0, rows, moved.to(x.dtype))


def sent(values: npt.NDArray[Any], device: torch.device) -> Tensor:
    """Numbers on a device, without waiting for what the card still has to do."""
    made = torch.from_numpy(values)
    return made.pin_memory().to(device, non_blocking=True) if device.type == "cuda" else made


def _backward(settings: AugmentSettings, n: int, rng: np.random.Generator) -> Floats:
    """Matrices (n, 2, 3) from a place in the new picture to one in the old, in half sides from the middle."""
    angle = np.radians(rng.uniform(-settings.turn_degrees, settings.turn_degrees, n))
    scale = rng.uniform(settings.smallest_scale, settings.largest_scale, n)
    move = 2 * rng.uniform(-settings.move, settings.move, (n, 2))
    turn = np.stack([np.cos(angle), np.sin(angle), -np.sin(angle), np.cos(angle)], axis=1).reshape(n, 2, 2)
    linear = turn / scale[:, None, None]
    return np.concatenate([linear, -linear @ move[:, :, None]], axis=2)


def _inside(boxes: Tensor, side: int) -> Tensor:
    """Which pixels of each crop are picture, (n, 1, side, side)."""
    place = torch.arange(side, device=boxes.device)
    top, left, height, width = (one[:, None] for one in boxes.unbind(1))
    rows = (place >= top) & (place < top + height)
    columns = (place >= left) & (place < left + width)
    return (rows[:, :, None] & columns[:, None, :])[:, None]


def _each(values: npt.NDArray[np.generic], like: Tensor) -> Tensor:
    """Numbers of each picture (n) or of its channels (n, 3), to be spread over its pixels."""
    return sent(np.asarray(values, dtype=np.float32), like.device).reshape(len(values), -1, 1, 1)
