"""Train fish of a run asked about again, each by a model that had not seen it.

Comes in: a run and its store. Goes out: for any change of the pictures, what a head fitted again without a fish's
fold says, or the network that a fine-tuned run kept of that fold: logits and last, where the run's model says it,
unfamiliarity. ``cut`` and ``test`` are not looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.files import read_json
from passage_cv.progress import Progress, silent
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.embed import Floats32, Read, Run, run_pictures
from passage_cv.recognition.familiarity import (
    UNFAMILIARITY_FILE,
    Joined,
    Unfamiliarity,
    fit_fold_familiar,
    read_joined,
)
from passage_cv.recognition.features import Features, embed_rows, to_examples
from passage_cv.recognition.fold_networks import open_fold
from passage_cv.recognition.head_settings import Grid
from passage_cv.recognition.heads import ABSENT_GAP, Examples, Floats, Head, Ints
from passage_cv.recognition.model import Embedder
from passage_cv.recognition.rows import Rows, RunClasses, label_rows, read_run_classes
from passage_cv.recognition.selection import choose_head, fit_fold_heads, folds_of_images
from passage_cv.recognition.settings import TrainSettings, read_train_settings
from passage_cv.recognition.train import fold_units
from passage_cv.recognition.tuned import as_examples
from passage_cv.recognition.tuned_settings import TunedSettings
from passage_cv.scores import Scores, build_scores, read_scores
from passage_cv.stats.energy import centred_energy

LeftOut = Literal["trip", "site"]


@dataclass(frozen=True, slots=True)
class TrainFish:
    """Train fish of a run, row by row, and the fold each was left out with."""

    rows: Rows
    classes: RunClasses
    examples: Examples
    fold: Ints
    crop: CropSettings
    scores: Scores

    @property
    def says_unfamiliarity(self) -> bool:
        """Whether unfamiliarity is what the run's model says; else it is the centred energy of the logits."""
        return self.scores.meta.get("unfamiliarity") == "model"

    @property
    def n_said(self) -> int:
        """How many numbers are said of a picture."""
        return len(self.classes.classes) + self.says_unfamiliarity

    def kept(self, places: Sequence[int]) -> Floats:
        """What the run itself said out of fold (n, n_said), by places in its scores."""
        logits = self.scores.values[places]
        if not self.says_unfamiliarity:
            return np.asarray(logits)
        return np.concatenate([logits, self.scores.numbers["unfamiliarity"][places][:, None]], axis=1)

    def as_scores(self, said: Floats, rows: Rows) -> Scores:
        """What is said of some rows (n, n_said) as a scores file of this run."""
        logits = said[:, : len(self.classes.classes)]
        far = said[:, -1] if self.says_unfamiliarity else centred_energy(logits)
        columns = rows.score_columns(hold_reason=[""] * len(rows), unfamiliarity=far)
        return build_scores("logit", self.classes.classes, logits, columns, meta=self.scores.meta)


@dataclass(frozen=True, slots=True)
class AskedAgain:
    """Train fish and whom to ask: ``ask(number)`` turns crops into (n, n_said) without that fold."""

    fish: TrainFish
    ask: Callable[[int], Run]

    def said(self, keep: npt.NDArray[np.bool_], read: Read, *, label: str, progress: Progress = silent) -> Floats:
        """What is said (n_kept, n_said) of the rows to keep, each by a model that had not seen its fish.

        Parameters
        ----------
        keep
            Of each row.
        read
            From a picture's name to what shall be seen of it.
        label, progress
            Told of pictures done.
        """
        names, fold = self.fish.rows.where(keep).images, self.fish.fold[keep]
        out, done = np.zeros((len(names), self.fish.n_said)), 0
        for number in np.unique(fold).tolist():
            own = np.flatnonzero(fold == number)
            asked = [names[place] for place in own]
            ran = run_pictures(
                asked,
                read,
                self.ask(number),
                self.fish.crop,
                width=out.shape[1],
                label=label,
                progress=_from(done, len(names), progress),
            )
            out[own] = ran.require_all(asked)
            done += len(own)
        return out


def ask_again(run: Path, store: Store, *, progress: Progress = silent) -> AskedAgain:
    """Open a run to ask about its train fish again.

    Raises
    ------
    InputError
        If a file is missing or cannot be read, or the run is a fine-tuned one of before folds' networks were kept.
    """
    settings = read_train_settings(run / "settings.toml")
    fish = read_train_fish(run, store)
    if isinstance(settings, TunedSettings):
        return AskedAgain(fish, lru_cache(maxsize=None)(lambda number: _network_without(fish, run, settings, number)))
    heads = _Heads.of(fish, run, store, settings, progress)
    return AskedAgain(fish, heads.without(fish.fold))


def without_each(run: Path, store: Store, unit: LeftOut, *, progress: Progress = silent) -> Scores:
    """Scores of all ``train`` fish, those of each trip (or site) by a model that saw no other fish of it.

    A head is fitted again without each trip. Networks are not: a fine-tuned run's own scores out of fold say it,
    where no fold splits a trip. Fish without a trip (or site) are left out, and so is a fish whose class was met
    nowhere else.

    Raises
    ------
    InputError
        If there are fewer than two trips (or sites), or folds of a fine-tuned run split one.
    """
    settings, fish = read_train_settings(run / "settings.toml"), read_train_fish(run, store)
    has, place = _places(fish.rows, unit, where=run)
    if isinstance(settings, TrainSettings):
        said = _Heads.of(fish, run, store, settings, progress).said_without(has, place)
    else:
        require_whole(fish, unit, where=run)
        row_of = {str(name): row for row, name in enumerate(fish.scores.text["image_sha256"])}
        said = fish.kept([row_of[name] for name in fish.rows.where(has).images])
    seen = np.asarray(np.isfinite(said).all(axis=1))
    return fish.as_scores(said[seen], fish.rows.where(has).where(seen))


def can_leave_out(run: Path, store: Store) -> tuple[LeftOut, ...]:
    """Of trips and sites, those that :func:`without_each` would not refuse."""
    fish = read_train_fish(run, store)
    is_tuned = isinstance(read_train_settings(run / "settings.toml"), TunedSettings)
    units: tuple[LeftOut, ...] = ("trip", "site")
    several = [unit for unit in units if len(set(fish.rows.column(unit)) - {"", None}) > 1]
    return tuple(unit for unit in several if not (is_tuned and _split(fish, unit)))


def read_train_fish(run: Path, store: Store) -> TrainFish:
    """The train fish of a run with the folds it was judged by.

    Raises
    ------
    InputError
        If a file is missing or cannot be read, or the version is not in the store.
    """
    settings, metrics = read_train_settings(run / "settings.toml"), read_json(run / "metrics.json")
    classes = read_run_classes(run / "classes.json")
    rows = label_rows(open_version(store, str(metrics["version"])).table(), classes, "train")
    rows = rows.where(np.isin(rows.label, classes.classes))
    examples = as_examples(rows, classes)
    unit, _, n_folds = fold_units(rows, settings.folds)
    fold = folds_of_images(examples, unit, n_folds=n_folds, seed=settings.seed)
    return TrainFish(rows, classes, examples, fold, settings.crop, read_scores(run / "train_scores.parquet"))


@dataclass(frozen=True, slots=True)
class _Heads:
    """Heads on a frozen network, fitted again with the run's own settings."""

    features: Features
    examples: Examples
    point: Grid
    scale: float
    joined: Joined | None

    @classmethod
    def of(cls, fish: TrainFish, run: Path, store: Store, settings: TrainSettings, progress: Progress) -> _Heads:
        features = embed_rows(fish.rows, store, settings, progress=progress)
        examples = to_examples(fish.rows, fish.classes, features.plain)
        unit, _, n_folds = fold_units(fish.rows, settings.folds)
        point = _point(settings, read_json(run / "metrics.json")["head"])
        best = choose_head(examples, unit, [point], n_folds=n_folds, seed=settings.seed, extra=features.extra).best
        joined = read_joined(run / UNFAMILIARITY_FILE) if fish.says_unfamiliarity else None
        return cls(features, examples, point, best.scale, joined)

    def without(self, fold: Ints) -> Callable[[int], Run]:
        """From a fold to what turns crops into what the head fitted without it says."""
        heads = self._fitted(self.examples, fold, self.features.extra)
        embed = Embedder(self.features.backbone).embed
        return lambda number: lambda crops: heads[number].say(embed(crops)).astype(np.float32)

    def said_without(self, has: npt.NDArray[np.bool_], place: Ints) -> Floats:
        """What is said of the rows that have a place, by heads without it; NaN where a class was met nowhere else."""
        examples, extra = self.examples.where(has), [part[has] for part in self.features.extra]
        said = np.full((len(place), examples.n_classes + (self.joined is not None)), np.nan)
        for number, one in enumerate(self._fitted(examples, place, extra)):
            own = (place == number) & one.head.present[examples.label]
            said[own] = one.say(examples.features[own])
        return said

    def _fitted(self, examples: Examples, fold: Ints, extra: Sequence[Floats32]) -> list[_FoldHead]:
        heads = fit_fold_heads(examples, fold, self.point, scale=self.scale, extra=extra)
        if self.joined is None:
            return [_FoldHead(head) for head in heads]
        familiar = fit_fold_familiar(examples, fold, self.point, extra=extra)
        return [
            _FoldHead(head, Unfamiliarity(known, self.joined)) for head, known in zip(heads, familiar, strict=True)
        ]


@dataclass(frozen=True, slots=True)
class _FoldHead:
    """A head fitted without a fold, and what says unfamiliarity beside it, None where logits tell it."""

    head: Head
    unfamiliarity: Unfamiliarity | None = None

    def say(self, features: Floats32) -> Floats:
        """Logits and, last, unfamiliarity where it is said."""
        logits = self.head.logits(features)
        if self.unfamiliarity is None:
            return logits
        return np.concatenate([logits, self.unfamiliarity.of(features)[:, None]], axis=1)


def _network_without(fish: TrainFish, run: Path, settings: TunedSettings, number: int) -> Run:
    """A fold's network; classes of which it had no fish stand below all others, as when it was judged."""
    network = open_fold(run, number, settings, len(fish.classes.classes))
    present = np.isin(np.arange(len(fish.classes.classes)), fish.examples.label[fish.fold != number])

    def say(crops: npt.NDArray[np.uint8]) -> Floats32:
        said = network(crops)
        logits = said[:, : len(present)]
        logits[:, ~present] = logits[:, present].min(axis=1, keepdims=True) - ABSENT_GAP
        return said

    return say


def _places(rows: Rows, unit: LeftOut, *, where: Path) -> tuple[npt.NDArray[np.bool_], Ints]:
    """Which rows name a trip (or site), and its number for those."""
    names = _names(rows, unit)
    found, place = np.unique(names[names != ""], return_inverse=True)
    if len(found) < 2:
        raise InputError(
            f"Role train has {len(found)} {unit} named, at least 2 are needed",
            where=str(where),
            do=f"Name the {unit} of each batch; then leaving one out says something.",
        )
    return np.asarray(names != ""), place


def _names(rows: Rows, unit: LeftOut) -> npt.NDArray[np.str_]:
    """The trip (or site) of each row, "" where none is named."""
    return np.array([name or "" for name in rows.column(unit)], dtype=np.str_)


def _split(fish: TrainFish, unit: LeftOut) -> list[str]:
    """Trips (or sites) of which fish lie in several folds."""
    names = _names(fish.rows, unit)
    return [str(name) for name in np.unique(names[names != ""]) if len(set(fish.fold[names == name])) > 1]


def require_whole(fish: TrainFish, unit: LeftOut, *, where: Path) -> None:
    """Refuse trips (or sites) of which fish lie in several folds: no network was fitted without them."""
    split = _split(fish, unit)
    if split:
        raise InputError(
            f"{len(split)} {unit}s lie in several folds of the fine-tuned run, {split[0]} for example",
            where=str(where),
            do=f"Give a run of a head on a frozen network: it is fitted again without each {unit}.",
        )


def _point(settings: TrainSettings, chosen: Mapping[str, Any]) -> Grid:
    """The head that the run chose, among those of its settings."""
    points = [point for grid in settings.heads for point in grid.points()]
    return next(point for point in points if point.model_dump(mode="json") == chosen)


def _from(done: int, total: int, progress: Progress) -> Progress:
    """Progress of a share of the pictures as progress of all."""
    return lambda label, more, _: progress(label, done + more, total)
