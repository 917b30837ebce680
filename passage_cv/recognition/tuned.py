"""Fine-tune on role ``train``: folds say when to stop and how good it is, one more fit on all becomes the model.

Comes in: rows with classes, and the unit that folds must not split. Goes out: a model file of the same form as a head
on a frozen network has, and out-of-fold logits. An unfinished run lies beside ``out`` and is gone on with.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from scipy.optimize import minimize_scalar

from passage_cv.config import settings_sha256
from passage_cv.dataset.store import Store
from passage_cv.dataset.working import working_image
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.policy import Policy
from passage_cv.progress import Progress, silent, tracked
from passage_cv.recognition.augment import Augmentation
from passage_cv.recognition.export import attach_head, attach_unfamiliarity, export_backbone
from passage_cv.recognition.familiarity import (
    UNFAMILIARITY_FILE,
    Unfamiliarity,
    fit_round_familiar,
    join_out_of_fold,
)
from passage_cv.recognition.finetune import Bench, Learnt, Lesson, features_of, fit_network
from passage_cv.recognition.fitted import Fitted
from passage_cv.recognition.fold_networks import fold_tensors, open_average
from passage_cv.recognition.heads import Examples, Floats, Ints, mean_of_images
from passage_cv.recognition.on_card import CardEffects
from passage_cv.recognition.paying import expected_cost
from passage_cv.recognition.pictures import PictureLoader, Pictures
from passage_cv.recognition.rows import Rows, RunClasses
from passage_cv.recognition.selection import balanced_log_loss, folds_of_images, seen_elsewhere
from passage_cv.recognition.team import Team, join_team
from passage_cv.recognition.tuned_settings import TunedSettings

_LARGEST_LOG_SCALE = 6.0


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the left-out folds say of one epoch.

    ``loss`` is the class-balanced log loss per individual, in nats, at the best ``scale`` of the logits; ``cost`` is
    the expected cost per presentation under the policy, None without one.
    """

    epoch: int
    loss: float
    scale: float
    cost: float | None

    @property
    def rank(self) -> tuple[float, float]:
        """Smaller is better: cost where it is known, then loss."""
        return (0.0 if self.cost is None else round(self.cost, 9), self.loss)


def tune(  # noqa: PLR0913 - what a run is made of, each thing once
    rows: Rows,
    classes: RunClasses,
    unit: Ints,
    store: Store,
    settings: TunedSettings,
    *,
    n_folds: int,
    out: Path,
    policy: Policy | None = None,
    progress: Progress = silent,
) -> Fitted:
    """Fine-tune once per fold to learn when to stop, then on all rows until then.

    Parameters
    ----------
    rows, classes
        What to learn from.
    unit
        Of each row: what must not be on both sides of a fold.
    store
        Where working pictures come from.
    settings
        See ``configs/train/tuned.toml``.
    n_folds
        At least 2.
    out
        The run folder to be; unfinished fits are kept beside it, some 15 MB for each fold and judged epoch of the
        registry network. What is kept of a run at the end is one network per fold beside the model.
    policy
        Its costs say which epoch is best; without it the balanced log loss does.
    progress
        Told of each epoch.

    Raises
    ------
    InputError
        If weights or a picture cannot be used, there are fewer units than folds, or pictures would be mirrored
        against the policy.
    """
    require_sides_kept(settings.augment.mirrored, policy)
    examples = as_examples(rows, classes)
    fold = folds_of_images(examples, unit, n_folds=n_folds, seed=settings.seed)
    task = sha256_bytes(canonical_json([settings_sha256(settings), rows.images, rows.label.tolist(), fold.tolist()]))
    unfinished = out.with_name(f".{out.name}-{task[:16]}.unfinished")
    with join_team() as team:
        bench = make_bench(rows.images, examples, store, settings, team, folder=unfinished, progress=progress)
        left_out = predict_left_out(bench, fold)
        judged = judge(left_out, examples, classes, policy)
        best = min(judged, key=lambda one: one.rank)
        everything = np.arange(len(rows))
        learnt = fit_network(bench, Lesson(n_folds, everything, everything[:0], best.epoch))
        familiarity = fit_tuned_familiarity(bench, learnt, fold, best.epoch)
    fitted = _as_fitted(learnt, best, judged, left_out[best.epoch], familiarity, settings, team)
    kept = fold_tensors(unfinished, best.epoch, best.scale, familiarity.without_fold)
    shutil.rmtree(unfinished, ignore_errors=True)
    return replace(fitted, tensors={**fitted.tensors, **kept})


def require_sides_kept(mirrored: bool, policy: Policy | None) -> None:  # noqa: FBT001 - it is what is asked about
    """Refuse mirrored pictures where the policy says that sides matter."""
    if mirrored and policy is not None and policy.sides_matter:
        raise InputError(
            "Pictures would be mirrored, but sides matter",
            where=f"mirrored in the training settings, sides_matter in the policy of {policy.site}",
            do="Set mirrored = false in a copy of the settings.",
        )


def cross_validate_tuned(  # noqa: PLR0913 - as tune
    rows: Rows,
    classes: RunClasses,
    unit: Ints,
    store: Store,
    settings: TunedSettings,
    *,
    n_folds: int,
    seed: int,
    workers: int | None = None,
    progress: Progress = silent,
) -> Floats:
    """Logits of every image (n_images, n_classes) by networks that saw nothing of its fold, at the schedule's end.

    No epoch is chosen, so nothing of the left-out fold enters its own figures. ``seed`` is that of folds and fits.
    """
    schedule = settings.schedule.model_copy(update={"judged_every": settings.schedule.epochs})
    settings = settings.model_copy(update={"seed": seed, "schedule": schedule})
    examples = as_examples(rows, classes)
    fold = folds_of_images(examples, unit, n_folds=n_folds, seed=seed)
    with join_team() as team:
        bench = make_bench(rows.images, examples, store, settings, team, workers=workers, progress=progress)
        return predict_left_out(bench, fold)[schedule.epochs]


def as_examples(rows: Rows, classes: RunClasses) -> Examples:
    """Rows as labels and individuals, without features: the network finds its own."""
    place = {name: number for number, name in enumerate(classes.classes)}
    label = np.array([place[name] for name in rows.label], dtype=np.intp)
    return Examples(np.zeros((len(rows), 0)), label, rows.numbered("individual"), len(classes.classes))


def make_bench(
    images: Sequence[str],
    examples: Examples,
    store: Store,
    settings: TunedSettings,
    team: Team,
    *,
    folder: Path | None = None,
    workers: int | None = None,
    progress: Progress = silent,
) -> Bench:
    """What all fits of these pictures share; workers start with the first batch, a card does its part of varying."""
    has_card = team.device.type == "cuda"
    augmentation = Augmentation(settings.augment, settings.crop, is_first_part=has_card)
    pictures = Pictures(partial(working_image, store), settings.crop, augmentation)
    return Bench(
        settings,
        images,
        examples,
        PictureLoader(pictures, workers=team.workers if workers is None else workers, pinned=has_card),
        team,
        CardEffects(settings.augment, settings.crop) if has_card else None,
        folder,
        progress=progress if team.is_first else silent,
    )


def predict_left_out(bench: Bench, fold: Ints) -> dict[int, Floats]:
    """Logits of every image by networks that saw no image of its fold, for each judged epoch."""
    everything = np.arange(len(fold))
    epochs = bench.settings.schedule.epochs
    out: dict[int, Floats] = {}
    for number in range(int(fold.max()) + 1):
        apart = fold == number
        learnt = fit_network(bench, Lesson(number, everything[~apart], everything[apart], epochs))
        for epoch, logits in learnt.logits.items():
            out.setdefault(epoch, np.zeros((len(fold), bench.examples.n_classes)))[apart] = logits
    return out


def judge(
    left_out: Mapping[int, Floats], examples: Examples, classes: RunClasses, policy: Policy | None
) -> list[Judgement]:
    """Every epoch judged by fish that its networks had not seen."""
    label = examples.label_of_individual
    found = []
    for epoch, logits in left_out.items():
        per_fish = mean_of_images(logits, examples.individual)
        scale = best_scale(per_fish, label)
        cost = None if policy is None else expected_cost(per_fish * scale, label, classes.classes, policy)
        found.append(Judgement(epoch, balanced_log_loss(per_fish, label, scale), scale, cost))
    return found


def best_scale(logits: Floats, label: Ints) -> float:
    """Factor that makes logits natural log-odds: the one of least balanced log loss."""
    found = minimize_scalar(
        lambda log_scale: balanced_log_loss(logits, label, float(np.exp(log_scale))),
        bounds=(-_LARGEST_LOG_SCALE, _LARGEST_LOG_SCALE),
        method="bounded",
    )
    return float(np.exp(found.x))


@dataclass(frozen=True, slots=True)
class TunedFamiliarity:
    """What says how unfamiliar a fish is: with the model, and with the network without each fold.

    ``left_out`` is what is said of each image out of fold, NaN where not ``seen``: where its class had no fish in
    another fold.
    """

    whole: Unfamiliarity
    without_fold: tuple[Unfamiliarity, ...]
    left_out: Floats
    seen: npt.NDArray[np.bool_]


def fit_tuned_familiarity(bench: Bench, learnt: Learnt, fold: Ints, epoch: int) -> TunedFamiliarity:
    """Ask each fold's network, as it was kept after an epoch, what it has learnt from and what it has not.

    Axes are round: left out of fine-tuning, fish of a class were held as often as with turned ones (README), and the
    model grows by a few numbers for each feature instead of a matrix.
    """
    examples, seen = bench.examples, seen_elsewhere(bench.examples, fold)
    scores, known = np.full((len(fold), 2), np.nan), []
    assert bench.folder is not None
    for number in tracked(range(int(fold.max()) + 1), "Asking each fold's network", bench.progress):
        network = open_average(bench.folder, number, epoch, bench.settings, examples.n_classes)
        part = replace(examples, features=features_of(network.features, bench))
        own = seen & (fold == number)
        known.append(fit_round_familiar(part.where(fold != number)))
        scores[own] = known[-1].scores(part.features[own])
    whole = fit_round_familiar(replace(examples, features=features_of(learnt.network.features, bench)))
    unfamiliarity, left_out = join_out_of_fold(whole, scores, examples, seen)
    without = tuple(Unfamiliarity(one, unfamiliarity.joined) for one in known)
    return TunedFamiliarity(unfamiliarity, without, left_out, seen)


def _as_fitted(
    learnt: Learnt,
    best: Judgement,
    judged: Sequence[Judgement],
    logits: Floats,
    familiarity: TunedFamiliarity,
    settings: TunedSettings,
    team: Team,
) -> Fitted:
    network = learnt.network.to("cpu")
    weight = network.head.weight.detach().numpy() * np.float32(best.scale)
    bias = network.head.bias.detach().numpy() * np.float32(best.scale)
    scaled = logits * best.scale
    scaled[~familiarity.seen] = np.nan
    model = attach_head(export_backbone(network.features, settings.crop.size), weight, bias)
    return Fitted(
        model=attach_unfamiliarity(model, familiarity.whole),
        tensors={
            "head.safetensors": {"weight": weight, "bias": bias},
            "network.safetensors": {name: one.numpy() for name, one in network.features.state_dict().items()},
            UNFAMILIARITY_FILE: familiarity.whole.tensors(),
        },
        logits=scaled,
        seen=familiarity.seen,
        loss=best.loss,
        unfamiliarity=familiarity.left_out,
        details=_details(learnt, best, judged, team),
    )


def _details(learnt: Learnt, best: Judgement, judged: Sequence[Judgement], team: Team) -> dict[str, Any]:
    card = torch.cuda.get_device_name(team.device) if team.device.type == "cuda" else "none"
    return {
        "epochs_kept": best.epoch,
        "expected_cost": best.cost,
        "first_weights": learnt.origin.weights,
        "first_weights_sha256": learnt.origin.sha256,
        "card": card,
        "processes": team.size,
        "torch": torch.__version__,
        "judged": [{"epoch": one.epoch, "loss": one.loss, "cost": one.cost} for one in judged],
    }
