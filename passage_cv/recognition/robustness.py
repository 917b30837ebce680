"""What a model says of the same fish in worse water, through a worse lens, farther away, and on trips left out.

Comes in: a run whose head stands on a frozen network, with its store. Goes out: scores of ``train`` fish by heads
that had not seen them, picture by picture made worse. Roles ``cut`` and ``test`` are not looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.dataset.working import working_image
from passage_cv.errors import InputError
from passage_cv.files import read_json
from passage_cv.progress import Progress, silent
from passage_cv.recognition.backbone import feature_count
from passage_cv.recognition.crop import Rgb
from passage_cv.recognition.embed import run_pictures
from passage_cv.recognition.heads import Examples, Floats, Grid, Ints
from passage_cv.recognition.model import Embedder
from passage_cv.recognition.rows import Rows, RunClasses, label_rows, read_run_classes
from passage_cv.recognition.selection import choose_head, fit_fold_heads, folds_of_images
from passage_cv.recognition.settings import TrainSettings, read_train_settings
from passage_cv.recognition.train import Features, embed_rows, fold_units, to_examples
from passage_cv.scores import Scores, build_scores, read_scores
from passage_cv.stats.energy import centred_energy

LeftOut = Literal["trip", "site"]


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


@dataclass(frozen=True, slots=True)
class _Trained:
    """A run opened again, with what its head was fitted on."""

    settings: TrainSettings
    store: Store
    rows: Rows
    classes: RunClasses
    features: Features
    examples: Examples
    unit: Ints
    n_folds: int
    point: Grid
    scale: float
    scores: Scores

    def as_scores(self, logits: Floats, rows: Rows) -> Scores:
        columns = rows.score_columns(hold_reason=[""] * len(rows), unfamiliarity=centred_energy(logits))
        return build_scores("logit", self.classes.classes, logits, columns, meta=self.scores.meta)


def worse_views(
    run: Path, store: Store, *, per_class: int = 15, seed: int = 0, progress: Progress = silent
) -> dict[str, dict[float, Scores]]:
    """Out-of-fold scores of some ``train`` fish at every level of every sweep.

    Parameters
    ----------
    run
        A head on a frozen network.
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
        If the run was fine-tuned: it keeps no models that had not seen a fish.
    """
    known = _open_trained(run, store, progress)
    fold = folds_of_images(known.examples, known.unit, n_folds=known.n_folds, seed=known.settings.seed)
    heads = fit_fold_heads(known.examples, fold, known.point, scale=known.scale, extra=known.features.extra)
    keep = _drawn(known.examples, per_class, seed)
    rows, own_fold = known.rows.where(keep), fold[keep]
    embedder = Embedder(known.features.backbone)

    def scores_at(sweep: Sweep, level: float) -> Scores:
        ran = run_pictures(
            rows.images,
            lambda name: sweep.apply(working_image(known.store, name), level),
            embedder.embed,
            known.settings.crop,
            width=feature_count(known.settings.backbone.taps),
            label=f"{sweep.name.capitalize()} {level:g}",
            progress=progress,
        )
        features = ran.require_all(rows.images)
        logits = np.zeros((len(rows), len(known.classes.classes)))
        for number, head in enumerate(heads):
            logits[own_fold == number] = head.logits(features[own_fold == number])
        return known.as_scores(logits, rows)

    as_taken = scores_at(SWEEPS[0], SWEEPS[0].levels[0])
    return {
        sweep.name: {sweep.levels[0]: as_taken, **{level: scores_at(sweep, level) for level in sweep.levels[1:]}}
        for sweep in SWEEPS
    }


def left_out_views(run: Path, store: Store, unit: LeftOut, *, progress: Progress = silent) -> Scores:
    """Scores of all ``train`` fish, those of each trip (or site) by a head that saw no other fish of it.

    Fish without a trip (or site) are left out, and so is a fish whose class was met nowhere else.

    Raises
    ------
    InputError
        As :func:`worse_views`, or if there are fewer than two trips (or sites).
    """
    known = _open_trained(run, store, progress)
    names = np.array(known.rows.column(unit), dtype=np.str_)
    has = names != ""
    found, place = np.unique(names[has], return_inverse=True)
    if len(found) < 2:
        raise InputError(
            f"Role train has {len(found)} {unit} named, at least 2 are needed",
            where=str(run),
            do=f"Name the {unit} of each batch; then leaving one out says something.",
        )
    examples, rows = known.examples.where(has), known.rows.where(has)
    extra = [part[has] for part in known.features.extra]
    heads = fit_fold_heads(examples, place, known.point, scale=known.scale, extra=extra)
    logits = np.full((len(rows), len(known.classes.classes)), np.nan)
    for number, head in enumerate(heads):
        own = (place == number) & head.present[examples.label]
        logits[own] = head.logits(examples.features[own])
    seen = np.isfinite(logits).all(axis=1)
    return known.as_scores(logits[seen], rows.where(seen))


def has_several(run: Path) -> tuple[LeftOut, ...]:
    """Of trips and sites, those of which the run's ``train`` fish name several."""
    text = read_scores(run / "train_scores.parquet").text
    units: tuple[LeftOut, ...] = ("trip", "site")
    return tuple(unit for unit in units if len(set(text[unit].tolist()) - {""}) > 1)


def _open_trained(run: Path, store: Store, progress: Progress) -> _Trained:
    settings, metrics = read_train_settings(run / "settings.toml"), read_json(run / "metrics.json")
    if not isinstance(settings, TrainSettings):
        raise InputError(
            "A fine-tuned run keeps no models that had not seen a fish: the one network that it keeps would look too "
            "good on its own train fish at every level, and the fish of cut and test are not spent on this",
            where=str(run),
            do="Give a run whose head stands on a frozen network, for example by configs/train/quick.toml.",
        )
    table = open_version(store, str(metrics["version"])).table()
    classes = read_run_classes(run / "classes.json")
    rows = label_rows(table, classes, "train")
    rows = rows.where(np.isin(rows.label, classes.classes))
    features = embed_rows(rows, store, settings, progress=progress)
    examples = to_examples(rows, classes, features.plain)
    unit, _, n_folds = fold_units(rows, settings.folds)
    point = _point(settings, metrics["head"])
    best = choose_head(examples, unit, [point], n_folds=n_folds, seed=settings.seed, extra=features.extra).best
    return _Trained(
        settings=settings,
        store=store,
        rows=rows,
        classes=classes,
        features=features,
        examples=examples,
        unit=unit,
        n_folds=n_folds,
        point=point,
        scale=best.scale,
        scores=read_scores(run / "train_scores.parquet"),
    )


def _point(settings: TrainSettings, chosen: Mapping[str, object]) -> Grid:
    """The head that the run chose, among those of its settings."""
    points = [point for grid in settings.heads for point in grid.points()]
    return next(point for point in points if point.model_dump(mode="json") == chosen)


def _drawn(examples: Examples, per_class: int, seed: int) -> npt.NDArray[np.bool_]:
    """Which images belong to the individuals drawn."""
    order = np.random.default_rng(seed).permutation(len(examples.label_of_individual))
    label = examples.label_of_individual[order]
    chosen = np.concatenate([order[label == one][:per_class] for one in range(examples.n_classes)])
    return np.asarray(np.isin(examples.individual, chosen))


__all__ = ["SWEEPS", "LeftOut", "Sweep", "has_several", "left_out_views", "worse_views"]
