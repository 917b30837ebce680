"""Scores from a run: out-of-fold for what it learnt from, through the model file for everything else.

Roles ``cut`` and ``test`` go from the original picture through the gate's crop and ``model.onnx``, because a limit
holds only for the path that was measured. A picture that cannot be used is a row with NaN and the reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from passage_cv.config import parse_settings
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.files import read_json, sha256_file
from passage_cv.intake.images import PICTURE_SUFFIXES, decode_picture
from passage_cv.progress import Progress, silent
from passage_cv.recognition.crop import CropSettings, Rgb
from passage_cv.recognition.embed import Ran, Read, run_pictures
from passage_cv.recognition.model import GateModel
from passage_cv.recognition.rows import UNKNOWN, RunClasses, label_rows, read_run_classes
from passage_cv.scores import Scores, build_scores, read_scores
from passage_cv.stats.energy import centred_energy

UNREADABLE = "unreadable picture"


@dataclass(frozen=True, slots=True)
class Run:
    """An opened run folder: what is needed to score with it."""

    folder: Path
    model: GateModel
    model_sha256: str
    classes: RunClasses
    crop: CropSettings
    train_scores: Scores


def open_run(folder: Path) -> Run:
    """Open a run folder.

    Raises
    ------
    InputError
        If a file is missing or cannot be read, or the model is not the one its out-of-fold scores belong to.
    """
    scores = read_scores(folder / "train_scores.parquet")
    model = GateModel(folder / "model.onnx")
    sha256 = sha256_file(folder / "model.onnx")
    if scores.meta.get("model_sha256") != sha256:
        raise InputError(
            f"model.onnx has hash {sha256[:12]}, its scores belong to {str(scores.meta.get('model_sha256'))[:12]}",
            where=str(folder),
            do="Copy the whole run folder again, or train again.",
        )
    return Run(
        folder=folder,
        model=model,
        model_sha256=sha256,
        classes=read_run_classes(folder / "classes.json"),
        crop=parse_settings(read_json(folder / "crop.json"), CropSettings, where=str(folder / "crop.json")),
        train_scores=scores,
    )


def score_version(run: Path, store: Store, version: Version, *, progress: Progress = silent) -> Scores:
    """Score all gate views of a version: rows of ``train``, then of ``cut`` and ``test``.

    Parameters
    ----------
    run
        Folder of a trained model; its own train rows keep their out-of-fold logits.
    store, version
        Where rows and original pictures come from.
    progress
        Told of pictures done.

    Raises
    ------
    InputError
        If the run cannot be opened, or the version has no gate view in ``cut`` or ``test``.
    """
    opened = open_run(run)
    rows = label_rows(version.table(), opened.classes, "cut", "test")
    if len(rows) == 0:
        raise InputError(
            "Version has no gate view in role cut or test",
            where=f"version {version.name}",
            do="Accept more batches; roles are drawn as they come.",
        )

    def read(sha256: str) -> Rgb:
        return decode_picture(store.read_object(sha256), where=f"picture {sha256[:12]}")

    ran = _run_all(opened, rows.images, read, progress)
    reasons = [UNREADABLE if problem else "" for problem in ran.problems]
    meta = {**opened.train_scores.meta, "version": version.name}
    fresh = build_scores(
        "logit",
        opened.classes.classes,
        ran.rows.astype(np.float64),
        rows.score_columns(hold_reason=reasons),
        meta=meta,
    )
    return _joined(opened.train_scores, fresh)


def score_folder(run: Path, folder: Path, *, progress: Progress = silent) -> Scores:
    """Score every picture below a folder, each as an individual of unknown class and of no role.

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
    ran = _run_all(opened, names, partial(_read_file, folder), progress)
    columns: dict[str, Any] = {
        "image_sha256": [sha256_file(folder / name) for name in names],
        "individual": names,
        "class": [UNKNOWN] * len(names),
        "role": ["excluded"] * len(names),
        "hold_reason": [UNREADABLE if problem else "" for problem in ran.problems],
        "unfamiliarity": centred_energy(ran.rows),
    }
    meta = {"model_sha256": opened.model_sha256, "crop_sha256": opened.train_scores.meta.get("crop_sha256", "")}
    return build_scores("logit", opened.classes.classes, ran.rows.astype(np.float64), columns, meta=meta)


def _run_all(run: Run, names: list[str], read: Read, progress: Progress) -> Ran:
    return run_pictures(
        names,
        read,
        run.model.logits,
        run.crop,
        width=len(run.classes.classes),
        label="Scoring pictures",
        progress=progress,
    )


def _joined(first: Scores, second: Scores) -> Scores:
    """Rows of both, with the second's metadata and every column that either has."""
    values = np.concatenate([first.values, second.values])
    numbers = {name: np.concatenate([first.numbers[name], second.numbers[name]]) for name in second.numbers}
    return replace(
        second,
        values=values,
        text={name: np.concatenate([first.text[name], second.text[name]]) for name in second.text},
        numbers={**numbers, "unfamiliarity": centred_energy(values)},
        present=first.present | second.present | {"unfamiliarity"},
    )


def _read_file(folder: Path, name: str) -> Rgb:
    try:
        data = (folder / name).read_bytes()
    except OSError as error:
        raise InputError(f"Picture cannot be opened: {error.strerror}", where=name) from error
    return decode_picture(data, where=name)
