"""Scores from a run: out-of-fold for what it learnt from, through the model file for everything else.

Roles ``cut`` and ``test`` go from the original picture through the gate's crop and ``model.onnx``, because a limit
holds only for the path that was measured. A picture that cannot be used is a row with NaN and the reason.
Pictures are scored one by one in a pool of processes; any executor can take its place (see ``parallel``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from passage_cv.config import parse_settings
from passage_cv.dataset.available import available_rows, n_withdrawn_since
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.files import read_json, sha256_bytes, sha256_file
from passage_cv.intake.images import PICTURE_SUFFIXES, decode_picture
from passage_cv.parallel import map_items
from passage_cv.progress import Progress, silent
from passage_cv.recognition.crop import CropSettings, crop_image
from passage_cv.recognition.embed import Floats32
from passage_cv.recognition.model import GateModel
from passage_cv.recognition.rows import UNKNOWN, RunClasses, label_rows, read_run_classes
from passage_cv.recognition.transforms import recipe_sha256
from passage_cv.scores import Scores, build_scores, read_scores
from passage_cv.stats.energy import centred_energy

UNREADABLE = "unreadable picture"


@dataclass(frozen=True, slots=True)
class Run:
    """An opened run folder: what is needed to score with it."""

    folder: Path
    model_sha256: str
    classes: RunClasses
    crop: CropSettings
    train_scores: Scores

    @property
    def says_unfamiliarity(self) -> bool:
        """Whether unfamiliarity is what the model says of each view; else it is the centred energy of the logits."""
        return self.train_scores.meta.get("unfamiliarity") == "model"


def open_run(folder: Path) -> Run:
    """Open a run folder.

    Raises
    ------
    InputError
        If a file is missing or cannot be read, or model or crop are not those its out-of-fold scores belong to.
    """
    scores = read_scores(folder / "train_scores.parquet")
    model = GateModel(folder / "model.onnx")  # refused here, not in a worker
    sha256 = sha256_file(folder / "model.onnx")
    if scores.meta.get("model_sha256") != sha256:
        raise InputError(
            f"model.onnx has hash {sha256[:12]}, its scores belong to {str(scores.meta.get('model_sha256'))[:12]}",
            where=str(folder),
            do="Copy the whole run folder again, or train again.",
        )
    if scores.meta.get("unfamiliarity") == "model" and not model.says_unfamiliarity:
        raise InputError(
            "The run's scores have an unfamiliarity that model.onnx does not say",
            where=str(folder),
            do="Copy the whole run folder again, or train again.",
        )
    return Run(
        folder=folder,
        model_sha256=sha256,
        classes=read_run_classes(folder / "classes.json"),
        crop=_crop_of(scores, folder / "crop.json"),
        train_scores=scores,
    )


def _crop_of(scores: Scores, path: Path) -> CropSettings:
    """The crop of a run, which its out-of-fold scores were made with too."""
    crop = parse_settings(read_json(path), CropSettings, where=str(path))
    made_with, found = str(scores.meta.get("crop_sha256", "")), recipe_sha256(crop)
    if made_with != found:
        raise InputError(
            f"The run's scores were made with crop {made_with[:12] or 'of no name'}, crop.json is {found[:12]}",
            where=str(path),
            do="Put the run's own crop.json back, or train again.",
        )
    return crop


@dataclass(frozen=True, slots=True)
class Task:
    """A picture to be scored, with everything a worker anywhere needs to do it.

    ``place`` is the address of a store, whose object of this name is meant, or empty where ``name`` is a file.
    """

    name: str
    place: str
    model: Path
    model_sha256: str
    crop: CropSettings


@dataclass(frozen=True, slots=True)
class ScoredPicture:
    """Logits of one picture (n_classes,), or None and why there are none; ``sha256`` is "" where it has no bytes.

    ``hold_reason`` is why its view may not be decided, "" where it may; ``unfamiliarity`` is NaN where the model says
    nothing of it.
    """

    logits: Floats32 | None
    sha256: str
    problem: str = ""
    hold_reason: str = ""
    unfamiliarity: float = math.nan


def score_picture(task: Task) -> ScoredPicture:
    """Score one picture: decode, crop, run the model, each alone, which is the gate's own path. Never raises for it.

    A module-level function of one picklable item, so that it can run in any process on any machine that sees the same
    files; model and store are opened once per process.
    """
    try:
        data = _read(task)
    except InputError as error:
        return ScoredPicture(None, "", error.what, UNREADABLE)
    sha256 = sha256_bytes(data)
    try:
        crop = crop_image(decode_picture(data, where=task.name), task.crop)
    except InputError as error:
        return ScoredPicture(None, sha256, error.what, UNREADABLE)
    seen = _model(task.model, task.model_sha256).see(crop[None])
    far = math.nan if seen.unfamiliarity is None else float(seen.unfamiliarity[0])
    return ScoredPicture(seen.logits[0], sha256, hold_reason=seen.hold_reasons[0], unfamiliarity=far)


@lru_cache(maxsize=2)
def _model(path: Path, sha256: str) -> GateModel:
    data = path.read_bytes()
    if sha256_bytes(data) != sha256:
        raise InputError("The model changed while it was scored with", where=str(path), do="Score again.")
    return GateModel(data)


@lru_cache(maxsize=2)
def _store(address: str) -> Store:
    return Store.open(address)


def _read(task: Task) -> bytes:
    if task.place:
        return _store(task.place).read_object(task.name)
    try:
        return Path(task.name).read_bytes()
    except OSError as error:
        raise InputError(f"Picture cannot be opened: {error.strerror}", where=task.name) from error


def score_version(
    run: Path, store: Store, version: Version, *, executor: Executor | None = None, progress: Progress = silent
) -> Scores:
    """Score all gate views of a version: rows of ``train``, then of ``cut`` and ``test``.

    Pictures that were withdrawn since are left out, for no limit is shown on fish that nobody can look at;
    ``withdrawn_since`` of the scores' meta counts them, where there are any.

    Parameters
    ----------
    run
        Folder of a trained model; its own train rows keep their out-of-fold logits.
    store, version
        Where rows and original pictures come from.
    executor
        Where pictures are scored; by default a pool of processes on this machine.
    progress
        Told of pictures done.

    Raises
    ------
    InputError
        If the run cannot be opened, or the version has no gate view in ``cut`` or ``test``.
    """
    opened = open_run(run)
    rows = label_rows(available_rows(version), opened.classes, "cut", "test")
    if len(rows) == 0:
        raise InputError(
            "Version has no gate view in role cut or test",
            where=f"version {version.name}",
            do="Accept more batches; roles are drawn as they come.",
        )
    scored = _score_all(opened, rows.images, str(store.storage.root), executor, progress)
    meta = {**opened.train_scores.meta, "version": version.name}
    if gone := n_withdrawn_since(version, "cut", "test"):
        meta["withdrawn_since"] = gone
    logits = _logits(scored, opened)
    columns = rows.score_columns(
        hold_reason=[one.hold_reason for one in scored], unfamiliarity=_unfamiliarity(scored, logits, opened)
    )
    fresh = build_scores("logit", opened.classes.classes, logits, columns, meta=meta)
    return _joined(opened.train_scores, fresh)


def score_folder(run: Path, folder: Path, *, executor: Executor | None = None, progress: Progress = silent) -> Scores:
    """Score every picture below a folder, each as an individual of unknown class and of no role.

    Arguments as :func:`score_version`.

    Raises
    ------
    InputError
        If the run cannot be opened, or the folder holds no picture.
    """
    opened = open_run(run)
    names = sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.suffix.lower() in PICTURE_SUFFIXES and path.is_file()
    )
    if not names:
        raise InputError("Folder holds no picture", where=str(folder), do="Give a folder of JPEG or PNG pictures.")
    paths = [str((folder / name).resolve()) for name in names]
    scored = _score_all(opened, paths, "", executor, progress)
    logits = _logits(scored, opened)
    columns: dict[str, Any] = {
        "image_sha256": [one.sha256 for one in scored],
        "individual": names,
        "class": [UNKNOWN] * len(names),
        "role": ["excluded"] * len(names),
        "hold_reason": [one.hold_reason for one in scored],
        "unfamiliarity": _unfamiliarity(scored, logits, opened),
    }
    meta = {"model_sha256": opened.model_sha256, "crop_sha256": opened.train_scores.meta.get("crop_sha256", "")}
    return build_scores("logit", opened.classes.classes, logits, columns, meta=meta)


def _score_all(
    run: Run, names: Sequence[str], place: str, executor: Executor | None, progress: Progress
) -> list[ScoredPicture]:
    model = (run.folder / "model.onnx").resolve()
    tasks = [Task(name, place, model, run.model_sha256, run.crop) for name in names]
    return map_items(score_picture, tasks, label="Scoring pictures", progress=progress, executor=executor)


def _logits(scored: Sequence[ScoredPicture], run: Run) -> npt.NDArray[np.float64]:
    """Logits of every picture (n, n_classes), NaN where there are none."""
    missing = np.full(len(run.classes.classes), np.nan)
    return np.stack([missing if one.logits is None else one.logits.astype(np.float64) for one in scored])


def _unfamiliarity(
    scored: Sequence[ScoredPicture], logits: npt.NDArray[np.float64], run: Run
) -> npt.NDArray[np.float64]:
    """Of every picture (n,), from where the run's own out-of-fold scores have it."""
    if run.says_unfamiliarity:
        return np.array([one.unfamiliarity for one in scored])
    return centred_energy(logits)


def _joined(first: Scores, second: Scores) -> Scores:
    """Rows of both, with the second's metadata and every column that either has."""
    values = np.concatenate([first.values, second.values])
    numbers = {name: np.concatenate([first.numbers[name], second.numbers[name]]) for name in second.numbers}
    if second.meta.get("unfamiliarity") != "model":  # runs of before 2026-11-25 say nothing of their train rows
        numbers["unfamiliarity"] = centred_energy(values)
    return replace(
        second,
        values=values,
        text={name: np.concatenate([first.text[name], second.text[name]]) for name in second.text},
        numbers=numbers,
        present=first.present | second.present | {"unfamiliarity"},
    )
