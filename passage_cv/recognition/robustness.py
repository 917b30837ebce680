"""What a model says of the same fish in worse water, through a worse lens and farther away.

Comes in: a run with its store. Goes out: scores of ``train`` fish by models that had not seen them (``asked_again``),
picture by picture made worse.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.dataset.store import Store
from passage_cv.dataset.working import working_image
from passage_cv.progress import Progress, silent
from passage_cv.recognition.asked_again import ask_again
from passage_cv.recognition.crop import Rgb
from passage_cv.recognition.heads import Examples
from passage_cv.scores import Scores


def dim_through_water(rgb: Rgb, through: float) -> Rgb:
    """A veil in the colour of the picture's border: ``through`` is the share of the fish's own light left."""
    border = np.concatenate([rgb[0], rgb[-1], rgb[:, 0], rgb[:, -1]]).mean(axis=0)
    veil = np.broadcast_to(border.astype(np.uint8), rgb.shape)
    return np.asarray(cv2.addWeighted(rgb, through, veil, 1 - through, 0))


def blur(rgb: Rgb, sigma: float) -> Rgb:
    """Out of focus by a Gaussian of so many pixels in a picture 640 wide."""
    return np.asarray(cv2.GaussianBlur(rgb, (0, 0), sigma * max(rgb.shape[:2]) / 640))


def expose(rgb: Rgb, stops: float) -> Rgb:
    """Lighter or darker by so many stops, in linear light (exponent 2.2), clipped as a sensor clips."""
    curve = 255 * np.clip((np.arange(256) / 255) ** 2.2 * 2**stops, 0, 1) ** (1 / 2.2)
    return np.asarray(cv2.LUT(rgb, np.rint(curve).astype(np.uint8)))


def foul(rgb: Rgb, share: float) -> Rgb:
    """Growth on the glass: so large a share of the picture is smeared and darker, always at the same places."""
    field = np.random.default_rng(7).random((6, 8), dtype=np.float32)
    field = np.asarray(cv2.resize(field, rgb.shape[1::-1], interpolation=cv2.INTER_CUBIC))
    cover = np.clip((field - np.quantile(field, 1 - share)) * 6, 0, 0.85)[..., None]
    side = max(3, max(rgb.shape[:2]) // 14) | 1
    smeared = cv2.blur(rgb, (side, side)).astype(np.float32) * 0.6
    return np.asarray(np.rint(rgb * (1 - cover) + smeared * cover), dtype=np.uint8)


def step_back(rgb: Rgb, size: float) -> Rgb:
    """The whole view at ``size`` of its size, as from farther away; what comes into view repeats the edge."""
    height, width = rgb.shape[:2]
    small = cv2.resize(rgb, (max(1, round(width * size)), max(1, round(height * size))), interpolation=cv2.INTER_AREA)
    top, left = (height - small.shape[0]) // 2, (width - small.shape[1]) // 2
    below, right = height - small.shape[0] - top, width - small.shape[1] - left
    return np.asarray(cv2.copyMakeBorder(small, top, below, left, right, cv2.BORDER_REPLICATE))


def shift_colour(rgb: Rgb, strength: float) -> Rgb:
    """Another white balance and tone curve, as after a firmware update: red up, blue down by ``strength``."""
    gains = np.array([1 + strength, 1.0, 1 - strength])
    curve = 255 * np.clip((np.arange(256) / 255)[:, None] ** (1 + strength / 2) * gains, 0, 1)
    return np.asarray(cv2.LUT(rgb, np.rint(curve).astype(np.uint8)[None]))


@dataclass(frozen=True, slots=True)
class Sweep:
    """One way in which views get worse; the first level of ``levels`` leaves them as they are."""

    name: str
    scale: str
    levels: tuple[float, ...]
    change: Callable[[Rgb, float], Rgb]

    def apply(self, rgb: Rgb, level: float) -> Rgb:
        """The picture at a level."""
        return rgb if level == self.levels[0] else self.change(rgb, level)


SWEEPS = (
    Sweep("turbidity", "share of the fish's light that comes through", (1.0, 0.8, 0.6, 0.4, 0.25), dim_through_water),
    Sweep("blur", "sigma in pixels of 640", (0.0, 1.5, 3.0, 5.0, 8.0), blur),
    Sweep("under-exposure", "stops", (0.0, -0.7, -1.4, -2.1, -2.8), expose),
    Sweep("over-exposure", "stops", (0.0, 0.7, 1.4, 2.1), expose),
    Sweep("fouling", "share of the lens", (0.0, 0.1, 0.2, 0.35, 0.5), foul),
    Sweep("scale", "size in the picture", (1.0, 0.8, 0.65, 0.5, 0.35), step_back),
    Sweep("firmware colour shift", "change of red and blue", (0.0, 0.08, 0.16, 0.24, 0.32), shift_colour),
)
"""Levels run from slight to worse than a person would accept; they are ours."""


def sweep_scales() -> dict[str, str]:
    """Name of each sweep to what its levels are levels of."""
    return {sweep.name: sweep.scale for sweep in SWEEPS}


def worse_views(
    run: Path, store: Store, *, per_class: int = 15, seed: int = 0, progress: Progress = silent
) -> dict[str, dict[float, Scores]]:
    """Out-of-fold scores of some ``train`` fish at every level of every sweep.

    Parameters
    ----------
    run
        A head on a frozen network, or a fine-tuned run.
    store
        Where the run's version and pictures lie.
    per_class, seed
        At most so many individuals of each class, drawn with this seed; all views of each.
    progress
        Told of pictures done.

    Returns
    -------
    dict
        Name of the sweep to level to scores.

    Raises
    ------
    InputError
        As :func:`~passage_cv.recognition.asked_again.ask_again`.
    """
    asked = ask_again(run, store, progress=progress)
    keep = _drawn(asked.fish.examples, per_class, seed)
    rows = asked.fish.rows.where(keep)

    def scores_at(sweep: Sweep, level: float) -> Scores:
        said = asked.said(
            keep,
            lambda name: sweep.apply(working_image(store, name), level),
            label=f"{sweep.name.capitalize()} {level:g}",
            progress=progress,
        )
        return asked.fish.as_scores(said, rows)

    as_taken = scores_at(SWEEPS[0], SWEEPS[0].levels[0])
    return {
        sweep.name: {sweep.levels[0]: as_taken, **{level: scores_at(sweep, level) for level in sweep.levels[1:]}}
        for sweep in SWEEPS
    }


def _drawn(examples: Examples, per_class: int, seed: int) -> npt.NDArray[np.bool_]:
    """Which images belong to the individuals drawn."""
    order = np.random.default_rng(seed).permutation(len(examples.label_of_individual))
    label = examples.label_of_individual[order]
    chosen = np.concatenate([order[label == one][:per_class] for one in range(examples.n_classes)])
    return np.asarray(np.isin(examples.individual, chosen))
