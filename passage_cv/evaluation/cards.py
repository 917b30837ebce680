"""The data card and the model card, filled in by code from the scores and the cutoffs.

Comes in: the scores of one model on one version, and what was assessed. Goes out: rows for two tables. What nobody
wrote down is said to be missing; nothing is guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.breakdown import Slice
from passage_cv.evaluation.judging import classes_by_group
from passage_cv.evaluation.misses import ClassCount
from passage_cv.evaluation.words import Names, interval
from passage_cv.policy import Group
from passage_cv.records import ROLES
from passage_cv.scores import Floats, Scores, Strings

Facts = tuple[tuple[str, str], ...]

FEW_TRAIN_FISH = 20
"""A class with fewer training fish has no offset of its own in the model calibration (decision-method 3)."""
WEAK_SLICE_FISH = 10
"""A slice with fewer fish says too little to be called weak [ours]."""
META_NAMES = {
    "model_sha256": "model file",
    "crop_sha256": "crop and transform",
    "settings_sha256": "training settings",
    "version": "data set version",
    "unit": "roles drawn by",
    "cut_share": "share of fish for cut",
    "unfamiliarity_above": "unfamiliar above",
}


@dataclass(frozen=True, slots=True)
class ClassData:
    """What the data hold of one class; ``lengths`` is shortest, median, longest in mm, or None."""

    code: str
    group: Group
    individuals: Mapping[str, int]
    images: int
    trips: int
    lengths: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class DataCard:
    """What went in, per class and altogether."""

    classes: tuple[ClassData, ...]
    facts: Facts


def data_card(scores: Scores, cutoffs: Cutoffs) -> DataCard:
    """What a scores file says of the fish behind it."""
    _, first = np.unique(scores.individual, return_index=True)
    fish = scores.where(np.isin(np.arange(len(scores)), first))
    classes = tuple(_class_data(scores, fish, code, group) for code, group in classes_by_group(cutoffs).items())
    days = scores.text["taken_at"][scores.text["taken_at"] != ""]
    facts = (
        ("fish", f"{len(fish)} individuals in {len(scores)} images"),
        ("sites", _listed(scores.text["site"])),
        ("trips", _per_role(fish, "trip")),
        ("set-ups", _listed(scores.text["setup_id"])),
        ("cameras", _listed(scores.text["camera"])),
        ("taken", f"{min(days)[:10]} to {max(days)[:10]}" if len(days) else "not given"),
        ("light", _counted(fish.text["light"])),
        ("turbidity", _range(fish.numbers["turbidity_NTU"], "NTU")),
        ("length", _range(fish.numbers["length_mm"], "mm")),
        ("recorded by", _listed(scores.text["recordedBy"])),
        ("labelled as no class of the policy", str(int((~np.isin(fish.label, cutoffs.classes)).sum()))),
    )
    return DataCard(classes, facts)


def model_card(scores: Scores, cutoffs: Cutoffs) -> Facts:
    """What the model is, as far as its scores file and the cutoffs say."""
    known = [
        (META_NAMES.get(key, key.replace("_", " ")), str(value))
        for key, value in sorted(scores.meta.items())
        if isinstance(value, str | int | float) and key != "format" and value != ""
    ]
    offsets = ", ".join(f"{name} {value:+.2f}" for name, value in cutoffs.offsets.items())
    return (
        *known,
        ("classes", ", ".join(cutoffs.classes)),
        ("answers with", {"logit": "logits", "prob": "probabilities", "gate_score": "a gate score"}[scores.kind]),
        ("views of a presentation", f"{cutoffs.views.min} to {cutoffs.views.max}"),
        ("model calibration", f"beta {cutoffs.beta:.4f}, correlation of views {cutoffs.rho:.1f}"),
        ("offsets of classes", offsets or "none"),
        ("meant for", f"advising the gate at {cutoffs.site}, on the sites and set-ups named below, and nothing else"),
        ("never", "a safety function, a stock estimate, an identification for a permit"),
    )


def weak_points(
    scores: Scores,
    cutoffs: Cutoffs,
    counts: tuple[ClassCount, ...],
    slices: tuple[Slice, ...],
    confusion: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
) -> tuple[str, ...]:
    """Where a reader should look first, found by looking at many tables: expect some of it to be chance."""
    names = Names({})
    return (*_confused(cutoffs.classes, confusion), *_weak_slices(slices, names), *_missing(scores, cutoffs, counts))


def _class_data(scores: Scores, fish: Scores, code: str, group: Group) -> ClassData:
    own = fish.where(fish.label == code)
    lengths = own.numbers["length_mm"][np.isfinite(own.numbers["length_mm"])]
    trips = own.text["trip"]
    return ClassData(
        code=code,
        group=group,
        individuals={role: int((own.role == role).sum()) for role in ROLES if role != "excluded"},
        images=int((scores.label == code).sum()),
        trips=len(np.unique(trips[trips != ""])),
        lengths=(float(lengths.min()), float(np.median(lengths)), float(lengths.max())) if len(lengths) else None,
    )


def _confused(classes: tuple[str, ...], confusion: np.ndarray[tuple[int, ...], np.dtype[np.intp]]) -> list[str]:
    if not confusion.size:
        return []
    wrong = confusion - np.diag(np.diag(confusion))
    order = np.argsort(-wrong, axis=None, kind="stable")[:3]
    pairs = [np.unravel_index(place, wrong.shape) for place in order]
    return [
        f"{classes[i]} was taken for {classes[j]} in {wrong[i, j]} of {confusion[i].sum()} fish."
        for i, j in pairs
        if wrong[i, j]
    ]


def _weak_slices(slices: tuple[Slice, ...], names: Names) -> list[str]:
    weak = [
        row
        for row in slices
        if not row.is_group and row.count.group in ("exclude", "protected") and row.count.shown >= WEAK_SLICE_FISH
    ]
    weak = sorted((row for row in weak if row.count.errors), key=lambda row: -row.count.interval[0])[:3]
    return [
        f"{row.by} {row.value}: {row.count.errors} of {row.count.shown} {names.both(row.count.code)} went wrong "
        f"({interval(row.count.interval)})."
        for row in weak
    ]


def _missing(scores: Scores, cutoffs: Cutoffs, counts: tuple[ClassCount, ...]) -> list[str]:
    limited = {limit.class_ for limit in cutoffs.limits if limit.kind == "miss"}
    free = [code for code, group in cutoffs.groups.items() if group == "exclude" and code not in limited]
    unseen = [count.code for count in counts if not count.shown]
    train = scores.with_role("train")
    few = [
        code
        for code in cutoffs.classes
        if len(train) and len(np.unique(train.individual[train.label == code])) < FEW_TRAIN_FISH
    ]
    lines = (
        ("Excluded without a miss limit", free),
        ("Not met among the fish judged", unseen),
        (f"Fewer than {FEW_TRAIN_FISH} training fish", few),
    )
    return [f"{title}: {', '.join(codes)}." for title, codes in lines if codes]


def _listed(column: Strings) -> str:
    return ", ".join(str(value) for value in np.unique(column) if value) or "not given"


def _counted(column: Strings) -> str:
    values, counts = np.unique(column, return_counts=True)
    found = [f"{value or 'not given'} {count}" for value, count in zip(values, counts, strict=True)]
    return ", ".join(found) if any(values) else "not given"


def _per_role(fish: Scores, column: str) -> str:
    per_role = [
        (role, np.unique(fish.text[column][(fish.role == role) & (fish.text[column] != "")])) for role in ROLES
    ]
    return ", ".join(f"{role} {len(found)}" for role, found in per_role if len(found)) or "not given"


def _range(values: Floats, unit: str) -> str:
    known = values[np.isfinite(values)]
    if not len(known):
        return "not given"
    missing = f"; not given for {len(values) - len(known)} fish" if len(known) < len(values) else ""
    return f"{known.min():.0f} to {known.max():.0f} {unit}, median {np.median(known):.0f}{missing}"
