"""The individuals worth looking at, and the training pictures that look most like them.

Comes in: judged individuals and, where it is at hand, a way to find near pictures. Goes out: cases in the order in
which a person should see them. No picture is read here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.judging import Judged, label_codes, named_classes
from passage_cv.records import Action
from passage_cv.scores import Floats, Strings


@dataclass(frozen=True, slots=True)
class NearPicture:
    """A training picture and how alike it is (cosine of the embeddings, 1 is the same)."""

    image_sha256: str
    individual: str
    label: str
    likeness: float


NearestPictures = Callable[[str], Sequence[NearPicture]]
"""From an image's SHA-256 to the training pictures most like it, the most alike first."""


@dataclass(frozen=True, slots=True)
class Case:
    """One individual worth looking at."""

    individual: str
    label: str
    named: str
    action: str
    score: float
    trip: str
    image_sha256: str
    near: tuple[NearPicture, ...] = ()


def worst_cases(
    judged: Judged, cutoffs: Cutoffs, most: int, *, nearest: NearestPictures | None = None
) -> tuple[Case, ...]:
    """Misses first (lowest score first), then false rejections, then the excluded fish nearest to being missed."""
    score, labelled = judged.scored.score, label_codes(judged.individuals, cutoffs)
    missed = labelled.excluded & judged.took(Action.PASS)
    refused = labelled.wanted & judged.took(Action.REJECT)
    rank = np.where(missed, 0, np.where(refused, 1, np.where(labelled.excluded, 2, 3)))
    order = np.lexsort((np.where(refused, -score, score), rank))
    chosen = [int(i) for i in order[:most] if rank[i] < 3 and not np.isnan(score[i])]
    named = named_classes(judged.individuals, cutoffs)
    return tuple(_case(judged, named[i], i, nearest) for i in chosen)


def nearest_by_embedding(
    embeddings: Floats, image_sha256s: Strings, *, train: Floats, train_pictures: Sequence[NearPicture], most: int = 3
) -> NearestPictures:
    """A finder of near pictures from embeddings, by their cosine.

    Parameters
    ----------
    embeddings, image_sha256s
        Of the pictures that may be asked for, shape (n_images, n_features) and (n_images,).
    train, train_pictures
        Of the training pictures, in the same order; their ``likeness`` is replaced.
    most
        How many near pictures to give; an unknown picture has none.

    Examples
    --------
    >>> pictures = [NearPicture("t1", "f1", "NSH", 0), NearPicture("t2", "f2", "BOW", 0)]
    >>> find = nearest_by_embedding(np.array([[2.0, 0.1]]), np.array(["q"]),
    ...                             train=np.array([[0.0, 1.0], [1.0, 0.0]]), train_pictures=pictures, most=1)
    >>> [(near.label, round(near.likeness, 3)) for near in find("q")]
    [('BOW', 0.999)]
    >>> find("another")
    []
    """
    own, others = _unit(embeddings), _unit(train)
    place = {str(sha256): i for i, sha256 in enumerate(image_sha256s)}

    def find(image_sha256: str) -> list[NearPicture]:
        if image_sha256 not in place:
            return []
        cosine = others @ own[place[image_sha256]]
        return [
            NearPicture(near.image_sha256, near.individual, near.label, float(cosine[i]))
            for i, near in ((int(i), train_pictures[int(i)]) for i in np.argsort(-cosine, kind="stable")[:most])
        ]

    return find


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12))


def _case(judged: Judged, named: str, i: int, nearest: NearestPictures | None) -> Case:
    text = judged.individuals.text
    image = str(text["image_sha256"][i])
    return Case(
        individual=str(text["individual"][i]),
        label=str(text["class"][i]),
        named=named,
        action=str(judged.actions[i]),
        score=float(judged.scored.score[i]),
        trip=str(text["trip"][i]),
        image_sha256=image,
        near=tuple(nearest(image)) if nearest and image else (),
    )
