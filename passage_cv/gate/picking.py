"""Which pictures of a data set become reference pictures: a few individuals of every class, always the same ones.

They come from role ``train``: what a package carries away shall not be ``cut`` or ``test``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from passage_cv.dataset.available import available_rows
from passage_cv.dataset.versions import Version
from passage_cv.gate.pictures import ReferencePicture
from passage_cv.policy import Policy
from passage_cv.recognition.rows import classes_of

PER_CLASS = 2


def pick_reference_pictures(
    version: Version, policy: Policy, *, per_class: int = PER_CLASS
) -> tuple[ReferencePicture, ...]:
    """The views of the first ``per_class`` train individuals of each class of a policy.

    Individuals come in the order of their names, views in the order of the sheet; at most as many views as
    the gate takes. A class without a gate view in ``train`` has no reference picture.
    """
    classes = classes_of(policy)
    labelled = [(classes.class_of(row), row) for row in available_rows(version).to_pylist()]
    rows = [
        (code, row["individual"], row["sheet_order"], row["image_sha256"])
        for code, row in labelled
        if row["role"] == "train" and row["purpose"] == "gate view" and code in classes.classes
    ]
    chosen = set(_first_individuals(sorted(rows), per_class))
    views: Counter[str] = Counter()
    pictures = []
    for code, individual, _, sha256 in sorted(rows):
        views[individual] += 1
        if individual in chosen and views[individual] <= policy.views.max:
            pictures.append(ReferencePicture(individual, code, version.store.object_path(sha256)))
    return tuple(pictures)


def _first_individuals(rows: Iterable[tuple[str, str, int, str]], per_class: int) -> Iterable[str]:
    pairs = dict.fromkeys((code, individual) for code, individual, _, _ in rows)
    taken: Counter[str] = Counter()
    for code, individual in pairs:
        taken[code] += 1
        if taken[code] <= per_class:
            yield individual
