"""Fit a model on one version of the data set: settings, store and version in, a run folder out (formats 6).

Only role ``train`` is read, from working images. What is chosen is chosen by grouped out-of-fold prediction, and
those predictions are kept beside the model: they are what its probabilities are calibrated on.
"""

from __future__ import annotations

import shutil
import tempfile
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from safetensors.numpy import save_file

from passage_cv.config import settings_sha256
from passage_cv.dataset.available import available_rows, n_withdrawn_since
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version
from passage_cv.dataset.working import working_image
from passage_cv.errors import InputError, PassageWarning
from passage_cv.files import sha256_bytes, write_bytes, write_json, write_text
from passage_cv.intake.images import decode_picture
from passage_cv.policy import Policy
from passage_cv.progress import Progress, silent
from passage_cv.recognition.crop import Rgb
from passage_cv.recognition.embed import Floats32, run_pictures
from passage_cv.recognition.export import attach_head, attach_holds, attach_unfamiliarity
from passage_cv.recognition.familiarity import UNFAMILIARITY_FILE, fit_unfamiliarity
from passage_cv.recognition.features import embed_rows, to_examples
from passage_cv.recognition.fitted import Fitted
from passage_cv.recognition.heads import Ints, mean_of_images
from passage_cv.recognition.model import Embedder
from passage_cv.recognition.record import describe_run, draw_run
from passage_cv.recognition.rows import Rows, RunClasses, choose_classes, label_rows
from passage_cv.recognition.selection import choose_head, folds_of_images
from passage_cv.recognition.settings import TrainSettings, settings_as_toml
from passage_cv.recognition.tracking import track_run
from passage_cv.recognition.transforms import recipe_sha256
from passage_cv.recognition.tuned import require_sides_kept, tune
from passage_cv.recognition.tuned_settings import TunedSettings
from passage_cv.recognition.view_rules import fit_view_rules, list_views
from passage_cv.scores import Scores, build_scores, write_scores
from passage_cv.stats.energy import centred_energy

__all__ = ["TrainSettings", "TrainSummary", "train_model"]

VIEW_FIGURES = ("views", "found", "fish", "held_falsely", "is_used")
"""What ``metrics.json`` says of each rule on views."""

FEWEST_TRIPS = 3
"""Below this, folds are drawn by individual: leaving out one of two trips would leave half of the data [ours]."""


@dataclass(frozen=True, slots=True)
class TrainSummary:
    """What was fitted, for the screen: where it lies and its out-of-fold figures (those of ``metrics.json``)."""

    run: Path
    model_sha256: str
    classes: tuple[str, ...]
    metrics: Mapping[str, Any]


def train_model(
    settings: TrainSettings | TunedSettings,
    store: Store,
    version: Version,
    out: Path,
    *,
    policy: Policy | None = None,
    views: Path | None = None,
    progress: Progress = silent,
) -> TrainSummary:
    """Fit a model on role ``train`` of a version and write its run folder, whole or not at all.

    Pictures that were withdrawn since are left out; ``withdrawn_since`` of the metrics counts them.

    Parameters
    ----------
    settings
        See ``configs/train/``.
    store, version
        Where pictures and rows come from.
    out
        Folder to make; it must not exist.
    policy
        Names the classes by its codes; without it they are the version's species.
    views
        Folder of labelled views on which no fish may be decided (see ``view_rules``); the model then holds them.
    progress
        Told of pictures done.

    Raises
    ------
    InputError
        If ``out`` exists, pictures would be mirrored against the policy, ``views`` cannot be used, a class of the
        policy has no gate view in ``train``, fewer than two classes have one, or a picture cannot be used.
    """
    if out.exists():
        raise InputError("Folder is there already", where=str(out), do="Give a new folder for each run.")
    if isinstance(settings, TrainSettings):
        require_sides_kept(settings.mirrored, policy)
    table = available_rows(version)
    classes = choose_classes(table, policy, where=f"version {version.name}")
    rows = label_rows(table, classes, "train")
    rows = rows.where(np.isin(rows.label, classes.classes))
    unit, unit_name, n_folds = fold_units(rows, settings.folds)
    if isinstance(settings, TunedSettings):
        fitted = tune(
            rows, classes, unit, store, settings, n_folds=n_folds, out=out, policy=policy, progress=progress
        )
    else:
        fitted = fit_head(rows, classes, unit, store, settings, n_folds=n_folds, progress=progress)
    if views is not None:
        fitted = add_view_rules(fitted, rows, store, settings, views, progress=progress)
    metrics = {
        **describe_out_of_fold(rows, classes, fitted),
        "fold_unit": unit_name,
        "folds": n_folds,
        "version": version.name,
        "withdrawn_since": n_withdrawn_since(version, "train"),
        "roles_sha256": roles_sha256(rows),
        "settings_sha256": settings_sha256(settings),
        "model_sha256": sha256_bytes(fitted.model),
    }
    meta = run_meta(settings, store, version, metrics["model_sha256"])
    meta["unfamiliarity"] = "logits" if fitted.unfamiliarity is None else "model"
    scores = _out_of_fold_scores(rows, classes, fitted, meta)
    _write_run(out, settings, classes, fitted, metrics, scores, draw_run(classes, fitted, metrics, rows))
    _track(out, settings, metrics)
    return TrainSummary(out, metrics["model_sha256"], classes.classes, metrics)


def fit_head(
    rows: Rows,
    classes: RunClasses,
    unit: Ints,
    store: Store,
    settings: TrainSettings,
    *,
    n_folds: int,
    progress: Progress = silent,
) -> Fitted:
    """The best of the settings' heads on features of the frozen backbone; ``unit`` as in :func:`fold_units`."""
    features = embed_rows(rows, store, settings, progress=progress)
    examples = to_examples(rows, classes, features.plain)
    chosen = choose_head(examples, unit, settings.heads, n_folds=n_folds, seed=settings.seed, extra=features.extra)
    fold = folds_of_images(examples, unit, n_folds=n_folds, seed=settings.seed)
    unfamiliarity, left_out = fit_unfamiliarity(
        examples, fold, chosen.seen, chosen.best.settings, extra=features.extra
    )
    model = attach_head(features.backbone, chosen.head.weights, chosen.head.bias)
    return Fitted(
        model=attach_unfamiliarity(model, unfamiliarity),
        tensors={
            "head.safetensors": {"weight": chosen.head.weights, "bias": chosen.head.bias},
            UNFAMILIARITY_FILE: unfamiliarity.tensors(),
        },
        logits=chosen.logits,
        seen=chosen.seen,
        loss=chosen.best.loss,
        unfamiliarity=left_out,
        details={
            "head": chosen.best.settings.model_dump(mode="json"),
            "tried": [{"head": one.settings.model_dump(mode="json"), "loss": one.loss} for one in chosen.tried],
        },
    )


def add_view_rules(
    fitted: Fitted,
    rows: Rows,
    store: Store,
    settings: TrainSettings | TunedSettings,
    views: Path,
    *,
    progress: Progress = silent,
) -> Fitted:
    """The same model, which now also holds views like those of the folder; see ``view_rules``.

    Rules stand on the model's own features: of the network as it came for a head, as it was tuned for ``tuned``.

    Raises
    ------
    InputError
        If the folder is not as :func:`~passage_cv.recognition.view_rules.list_views` wants it, or a picture cannot be
        used.
    """
    pictures, embedder = list_views(views), Embedder(fitted.model)

    def features(names: Sequence[str], read: Callable[[str], Rgb], label: str) -> Floats32:
        ran = run_pictures(
            names, read, embedder.embed, settings.crop, width=embedder.width, label=label, progress=progress
        )
        return ran.require_all(names)

    bad = {
        kind: features([str(path) for path in paths], _decode_file, f"Views: {kind}")
        for kind, paths in pictures.items()
    }
    good = features(rows.images, partial(working_image, store), "Views: fish as they should be")
    found = fit_view_rules(good, rows.numbered("individual"), bad, seed=settings.seed)
    told = {rule.reason: {key: getattr(rule, key) for key in VIEW_FIGURES} for rule in found.rules}
    return replace(
        fitted,
        model=attach_holds(
            fitted.model, {rule.reason: (rule.weights, rule.bias) for rule in found.rules if rule.is_used}
        ),
        hold_reasons=tuple(str(reason) for reason in found.reasons),
        details={**fitted.details, "views": told},
    )


def _decode_file(path: str) -> Rgb:
    return decode_picture(Path(path).read_bytes(), where=path)


def fold_units(rows: Rows, folds: int) -> tuple[Ints, str, int]:
    """What must not be split over folds: trips where there are enough, else individuals; and how many folds."""
    trips = rows.column("trip")
    n_trips = len(set(trips))
    if all(trips) and n_trips >= FEWEST_TRIPS:
        return rows.numbered("trip"), "trip", min(folds, n_trips)
    return rows.numbered("individual"), "individual", folds


def describe_out_of_fold(rows: Rows, classes: RunClasses, fitted: Fitted) -> dict[str, Any]:
    """Out-of-fold figures per individual, and what was compared."""
    individual = rows.numbered("individual")
    label = np.zeros(individual.max() + 1, dtype=np.intp)
    place = {name: i for i, name in enumerate(classes.classes)}
    label[individual] = [place[name] for name in rows.label]
    mean = mean_of_images(fitted.logits, individual)
    seen = np.isfinite(mean).all(axis=1)
    right = seen & (np.argmax(np.nan_to_num(mean, nan=-np.inf), axis=1) == label)
    per_class = {
        name: {"individuals": int((label == i).sum()), "right": int(right[label == i].sum())}
        for i, name in enumerate(classes.classes)
    }
    recalls = [count["right"] / count["individuals"] for count in per_class.values() if count["individuals"]]
    return {
        "format": 1,
        "images": len(rows),
        "individuals": len(label),
        "individuals_of_a_class_in_one_fold_only": int((~seen).sum()),
        "accuracy_individual": float(right.mean()),
        "balanced_accuracy_individual": float(np.mean(recalls)),
        "balanced_log_loss": fitted.loss,
        "classes": per_class,
        **fitted.details,
    }


def roles_sha256(rows: Rows) -> str:
    """Hash of which pictures were learnt from."""
    return sha256_bytes("\n".join(sorted(rows.images)).encode())


def run_meta(
    settings: TrainSettings | TunedSettings, store: Store, version: Version, model_sha256: str
) -> dict[str, Any]:
    """What a scores file of this run says of its origin."""
    return {
        "model_sha256": model_sha256,
        "settings_sha256": settings_sha256(settings),
        "crop_sha256": recipe_sha256(settings.crop),
        "version": version.name,
        "unit": store.settings.unit,
        "cut_share": store.settings.shares.cut,
    }


def _out_of_fold_scores(rows: Rows, classes: RunClasses, fitted: Fitted, meta: Mapping[str, Any]) -> Scores:
    reasons = np.where(fitted.seen, fitted.hold_reasons or "", "class in one fold only")
    far = centred_energy(fitted.logits) if fitted.unfamiliarity is None else fitted.unfamiliarity
    columns = rows.score_columns(hold_reason=reasons, unfamiliarity=far)
    return build_scores("logit", classes.classes, fitted.logits, columns, meta=meta, source="out-of-fold scores")


def _write_run(
    out: Path,
    settings: TrainSettings | TunedSettings,
    classes: RunClasses,
    fitted: Fitted,
    metrics: Mapping[str, Any],
    scores: Scores,
    drawn: Mapping[str, bytes],
) -> None:
    out.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(dir=out.parent, prefix=".part-"))
    try:
        write_bytes(part / "model.onnx", fitted.model)
        for name, tensors in fitted.tensors.items():
            save_file(dict(tensors), part / name)
        write_text(part / "settings.toml", settings_as_toml(settings))
        write_json(part / "classes.json", classes.model_dump(mode="json"))
        write_json(part / "crop.json", settings.crop.model_dump(mode="json"))
        write_json(part / "metrics.json", metrics)
        write_scores(scores, part / "train_scores.parquet")
        for name, data in drawn.items():
            write_bytes(part / name, data)
        part.chmod(0o755)
        part.rename(out)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def _track(out: Path, settings: TrainSettings | TunedSettings, metrics: Mapping[str, Any]) -> None:
    """Log the run; a tracking server that does not answer loses the log, never the run."""
    try:
        run_id = track_run(out, describe_run(settings, metrics), home=out.parent)
    except Exception as error:  # mlflow's errors and those of any server share no base
        warnings.warn(f"Run was not tracked: {error}", PassageWarning, stacklevel=2)
        run_id = "not tracked"
    write_text(out / "mlflow.txt", run_id + "\n")
