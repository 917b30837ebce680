"""The whole pipeline on a folder of real photographs with a ``labels.csv``: what ``scripts/real-data`` runs.

Comes in: a folder with ``image, scientificName, sequence`` per line; a sequence is one individual. Goes out: a
store, a run, cutoffs, a report, a verified gate package, and ``summary.json`` with what the same recipe reaches on
individuals it has not seen. Nothing here knows which fish they are.
"""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from passage_cv.config import configs_folder, read_settings
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import Version, open_version
from passage_cv.errors import InputError
from passage_cv.files import write_json, write_text
from passage_cv.gate.package import write_package
from passage_cv.gate.picking import pick_reference_pictures
from passage_cv.gate.verify import verify_package
from passage_cv.intake.check import check_batch
from passage_cv.intake.names import any_names
from passage_cv.pipeline import Calibrated, ReportOptions, calibrate_scores, evaluate_scores
from passage_cv.policy import Policy, read_policy
from passage_cv.progress import Progress, silent
from passage_cv.recognition.ablation import COMMON, everybody
from passage_cv.recognition.crossval import cross_validate, cross_validate_plainly, individual_figures
from passage_cv.recognition.features import Features, embed_rows, to_examples
from passage_cv.recognition.heads import Examples, Floats, Ints
from passage_cv.recognition.left_out import LeftOutClasses, leave_out_each
from passage_cv.recognition.left_out_tuned import leave_out_of_tuning
from passage_cv.recognition.rows import RunClasses, choose_classes
from passage_cv.recognition.score import score_version
from passage_cv.recognition.train import TrainSettings, train_model
from passage_cv.recognition.tuned import cross_validate_tuned
from passage_cv.recognition.tuned_settings import TunedSettings
from passage_cv.scores import write_scores

QUICK = configs_folder() / "train" / "quick.toml"
"""Head whose frozen network gives the plain script its features, whatever is trained."""
NEEDED = ("image", "scientificName", "sequence")
EXCLUDED = "Plectroglyphidodon dickii"
"""Excluded where nothing else is asked for: the commonest class of the open reef photographs."""
PASS_COST, REJECT_COST, HOLD_COST = 20.0, 5.0, 1.0
CONFIDENCE = 0.95
AUTHOR = "real-data"
LAST_LAYER = 7
NOTE = (
    "Photographs of a folder, an individual being a sequence. Roles were drawn by individual: the limits say nothing "
    "about another place, camera or season."
)


@dataclass(frozen=True, slots=True)
class Label:
    """One line of ``labels.csv``."""

    image: str
    scientific_name: str
    sequence: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What is wanted of a folder: which classes are excluded, under which limit, and how to cross-validate.

    ``unknown`` also leaves out each class in turn (of fine-tuning: in groups) and asks which score of unfamiliarity
    holds it.
    """

    excluded: tuple[str, ...] = (EXCLUDED,)
    miss_limit: float = 0.2
    folds: int = 5
    seeds: int = 1
    unknown: bool = False


def run_real_data(
    folder: Path, out: Path, asked: Asked, settings: TrainSettings | TunedSettings, *, progress: Progress = silent
) -> dict[str, Any]:
    """Run every stage on a folder of photographs and return what ``summary.json`` holds.

    Parameters
    ----------
    folder
        Holds ``labels.csv`` and the pictures it names.
    out
        A folder that is missing or empty.
    asked
        See :class:`Asked`.
    settings
        Of training, see ``configs/train/``.

    Raises
    ------
    InputError
        If ``out`` holds something, ``labels.csv`` cannot be used, intake finds something to resolve, or an excluded
        class has no individual in ``train``.
    """
    if out.exists() and any(out.iterdir()):
        raise InputError("Folder is not empty", where=str(out), do="Give another, or remove it.")
    labels = read_labels(folder)
    version = _accept(folder, labels, out, asked, progress)
    policy_path = _write_policy(version, asked, out / "policy.toml")
    policy = read_policy(policy_path)
    figures = cross_validate_version(version, asked, settings, progress=progress)
    train_model(settings, version.store, version, out / "run", policy=policy, progress=progress)
    write_scores(score_version(out / "run", version.store, version, progress=progress), out / "scores.parquet")
    store = Path(version.store.storage.root)
    calibrated = calibrate_scores(
        out / "scores.parquet", policy_path, out / "cutoffs.json", store=store, author=AUTHOR, progress=progress
    )
    evaluate_scores(
        out / "scores.parquet",
        out / "cutoffs.json",
        out / "report",
        store=store,
        run=out / "run",
        options=ReportOptions(notes=[NOTE]),
        progress=progress,
    )
    summary = {
        **figures,
        "excluded": [rule.code for rule in policy.in_group("exclude")],
        "cutoffs": _cutoffs_of(calibrated),
        "package_verified": _pack(version, policy, out, progress),
    }
    write_json(out / "summary.json", summary)
    return summary


def read_labels(folder: Path) -> list[Label]:
    """Read ``labels.csv``; columns beyond the three are ignored.

    Raises
    ------
    InputError
        If it is missing, a column is, a cell is empty, or a picture is named twice.
    """
    path = folder / "labels.csv"
    if not path.is_file():
        raise InputError("labels.csv is missing", where=str(folder), do=f"A line per image: {', '.join(NEEDED)}.")
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    lacking = [name for name in NEEDED if not rows or name not in rows[0]]
    if lacking:
        raise InputError(f"labels.csv has no {', '.join(lacking)}", where=str(path), do="Add these columns.")
    for number, row in enumerate(rows, start=2):
        empty = [name for name in NEEDED if not (row[name] or "").strip()]
        if empty:
            raise InputError(f"{empty[0]} is empty in row {number}", where=str(path), do="Fill it in.")
    return [Label(*(row[name].strip() for name in NEEDED)) for row in rows]


def cross_validate_version(
    version: Version, asked: Asked, settings: TrainSettings | TunedSettings, *, progress: Progress = silent
) -> dict[str, Any]:
    """Grouped out-of-fold figures over all individuals of a version, with what leakage and a plain script would say.

    What leakage would say is left out with fine-tuning, where it would double the time. Every figure is the mean over
    ``asked.seeds`` fold seeds; ``by_seed`` holds each, ``standard_error`` that of the mean where there are two seeds
    or more.
    """
    rows, classes = everybody(version)
    head = settings if isinstance(settings, TrainSettings) else read_settings(QUICK, TrainSettings)
    features = embed_rows(rows, version.store, head, progress=progress)
    last = head.model_copy(
        update={"mirrored": False, "backbone": head.backbone.model_copy(update={"taps": (LAST_LAYER,)})}
    )
    plain = to_examples(rows, classes, embed_rows(rows, version.store, last, progress=progress).plain)
    examples = to_examples(rows, classes, features.plain)
    by_seed: list[dict[str, float]] = []
    for seed in range(asked.seeds):
        progress("Fold seeds", seed, asked.seeds)
        script = _script_figures(plain, asked.folds, seed)
        if isinstance(settings, TunedSettings):
            unit = examples.individual
            logits = cross_validate_tuned(
                rows, classes, unit, version.store, settings, n_folds=asked.folds, seed=seed, progress=progress
            )
            by_seed.append({**_figures_of(logits, examples), **script})
        else:
            by_seed.append({**_head_figures(examples, features, asked.folds, settings, seed), **script})
    progress("Fold seeds", asked.seeds, asked.seeds)
    unknown: LeftOutClasses | None = None
    if asked.unknown and isinstance(settings, TunedSettings):
        unknown = leave_out_of_tuning(version, settings, every_role=True, progress=progress)
    elif asked.unknown:
        unknown = leave_out_each(examples, features, classes, head, n_folds=asked.folds, progress=progress)
    means = {name: float(np.mean([one[name] for one in by_seed])) for name in by_seed[0]}
    return {
        "classes": len(classes.classes),
        "individuals": int(examples.per_class.sum()),
        "images": len(rows),
        **means,
        "standard_error": _standard_errors(by_seed),
        "by_seed": by_seed,
        "individuals_of_class": _counts(examples, classes),
        **({"leave_one_class_out": _unknown_held(unknown)} if unknown else {}),
    }


def _unknown_held(found: LeftOutClasses) -> dict[str, dict[str, Any]]:
    """Per score of unfamiliarity: AUROC and share held, means over classes left out, and the share of each class."""
    return {
        one.score: {
            "auroc": one.auroc,
            "held": one.held,
            "held_of_class": {code: result.held for code, result in one.of_class.items()},
        }
        for one in found.scores
    }


def _figures_of(logits: Floats, examples: Examples) -> dict[str, float]:
    """Figures of grouped out-of-fold logits."""
    every = individual_figures(logits, examples)
    common = individual_figures(logits, examples, among=examples.per_class >= COMMON)
    return {
        "accuracy_individual": every.accuracy,
        "balanced_accuracy_individual": every.balanced_accuracy,
        "balanced_accuracy_individual_common": common.balanced_accuracy,
    }


def _head_figures(
    examples: Examples, features: Features, folds: int, settings: TrainSettings, seed: int
) -> dict[str, float]:
    """Figures of a head on frozen features, and what they would be if images of an individual fell apart."""

    def ours(unit: Ints) -> Floats:
        return cross_validate(examples, unit, settings.heads, n_folds=folds, seed=seed, extra=features.extra)

    leaky = individual_figures(ours(np.arange(len(examples.label))), examples).balanced_accuracy
    return {**_figures_of(ours(examples.individual), examples), "balanced_accuracy_individual_ungrouped": leaky}


def _script_figures(plain: Examples, folds: int, seed: int) -> dict[str, float]:
    """Figures of a plain script."""
    script = individual_figures(cross_validate_plainly(plain, plain.individual, n_folds=folds, seed=seed), plain)
    return {
        "plain_accuracy_individual": script.accuracy,
        "plain_balanced_accuracy_individual": script.balanced_accuracy,
    }


def _standard_errors(by_seed: Sequence[Mapping[str, float]]) -> dict[str, float] | None:
    if len(by_seed) < 2:
        return None
    return {
        name: float(np.std([one[name] for one in by_seed], ddof=1) / np.sqrt(len(by_seed))) for name in by_seed[0]
    }


def _counts(examples: Examples, classes: RunClasses) -> dict[str, int]:
    return dict(zip(classes.classes, examples.per_class.tolist(), strict=True))


def _accept(folder: Path, labels: Sequence[Label], out: Path, asked: Asked, progress: Progress) -> Version:
    """The folder as a batch of open data, checked and kept like any other."""
    batch = out / "batch"
    for label in labels:
        _place(folder / label.image, batch / label.image)
    lines = [",".join(_quoted(cell) for cell in (one.image, one.scientific_name, one.sequence)) for one in labels]
    write_text(batch / "sheet.csv", "\n".join(["image,scientificName,organismID", *lines]) + "\n")
    write_text(batch / "trip.toml", 'source = "open data"\neventID = "folder"\nlocationID = "folder"\n')
    store = Store.create(
        out / "store", StoreSettings(unit="individual", seed=0, limited=tuple(sorted(asked.excluded)))
    )
    checked = check_batch(batch, names=any_names(), progress=progress)
    accept_batch(checked, store, author=AUTHOR, progress=progress)
    return open_version(store)


def _place(source: Path, target: Path) -> None:
    """The same file at another place: a second name where the disk allows it, else a copy."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if not source.is_file():
        raise InputError("Picture is missing", where=str(source), do="Correct labels.csv, or add the picture.")
    if target.exists():
        raise InputError("Picture stands in two rows", where=f"{source}, labels.csv", do="Take one row out.")
    try:
        target.hardlink_to(source)
    except OSError:
        shutil.copyfile(source, target)


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def _write_policy(version: Version, asked: Asked, path: Path) -> Path:
    """A policy for the classes that have an individual in ``train``; the others will be unknown."""
    classes = choose_classes(version.table(), None, where=f"version {version.name}")
    names = list(classes.scientific_names.values())
    lacking = [name for name in asked.excluded if name not in names]
    if lacking:
        raise InputError(
            f"No individual of {', '.join(lacking)} came into role train, the classes there are {', '.join(names)}",
            where="labels.csv",
            do="Name another with --excluded-class.",
        )
    parts = [
        f'format = 1\nsite = "{AUTHOR}"\nconfidence = {CONFIDENCE}\nhold_cost = {HOLD_COST}\n'
        "views = { min = 1, max = 10 }\n"
    ]
    parts += [_class_rule(name, asked) for name in names]
    write_text(path, "\n".join(parts))
    return path


def _class_rule(name: str, asked: Asked) -> str:
    head = f'[[classes]]\ncode = "{class_code(name)}"\nscientific_name = {_toml_text(name)}\n'
    if name in asked.excluded:
        return head + f'policy = "exclude"\npass_cost = {PASS_COST}\nmiss_limit = {asked.miss_limit}\n'
    return head + f'policy = "pass"\nreject_cost = {REJECT_COST}\n'


def class_code(name: str) -> str:
    """A policy code from a name: lower case, hyphens between words.

    Examples
    --------
    >>> class_code("Plectroglyphidodon dickii")
    'plectroglyphidodon-dickii'
    """
    return re.sub(r"[^a-z0-9_.]+", "-", name.lower()).strip("-.") or "class"


def _toml_text(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _cutoffs_of(calibrated: Calibrated) -> dict[str, Any]:
    values = calibrated.cutoffs.model_dump(mode="json", by_alias=True)
    kept = ("u", "v", "u_cap", "v_floor", "limits", "expected_cost", "warnings")
    return {**{name: values[name] for name in kept}, "unmet": list(calibrated.unmet)}


def _pack(version: Version, policy: Policy, out: Path, progress: Progress) -> bool:
    pictures = pick_reference_pictures(version, policy)
    write_package(
        out / "run", out / "cutoffs.json", out / "policy.toml", out / "package", pictures=pictures, progress=progress
    )
    return verify_package(out / "package", progress=progress).ok
