"""The individuals worth looking at, and the training pictures that look most like them.

Comes in: judged individuals and, where it is at hand, a way to find near pictures. Goes out: cases in the order in
which a person should see them. No picture is read here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from passage_cv.decision.combine import Ints
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.judging import Judged, label_codes, named_classes
from passage_cv.records import Action
from passage_cv.scores import Floats, Scores

NEAR_SHOWN = 3


@dataclass(frozen=True, slots=True)
class NearPicture:
    """A training picture and how alike it is (cosine of the embeddings, 1 is the same)."""

    image_sha256: str
    individual: str
    label: str
    likeness: float


NearestPictures = Callable[[Sequence[str]], Sequence[Sequence[NearPicture]]]
"""From the SHA-256 of images to the training pictures most like each, the most alike first."""

Embed = Callable[[Sequence[str]], npt.NDArray[np.floating]]
"""From the SHA-256 of images to their embeddings, shape (n_images, n_features)."""


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
    near = _near(judged.individuals.text["image_sha256"][chosen].tolist(), nearest)
    return tuple(_case(judged, named[i], i, near.get(i_case, ())) for i_case, i in enumerate(chosen))


def nearest_by_embedding(
    embed: Embed, train_pictures: Sequence[NearPicture], *, most: int = NEAR_SHOWN
) -> NearestPictures:
    """A finder of near pictures from embeddings, by their cosine.

    Parameters
    ----------
    embed
        Asked once, for the training pictures and those in question together; NaN where a picture cannot be used.
    train_pictures
        One picture per training individual; their ``likeness`` is replaced.
    most
        How many near pictures to give.

    Examples
    --------
    >>> vectors = {"t1": [0.0, 1.0], "t2": [1.0, 0.0], "q": [2.0, 0.1]}
    >>> find = nearest_by_embedding(lambda images: np.array([vectors[image] for image in images]),
    ...                             [NearPicture("t1", "f1", "NSH", 0), NearPicture("t2", "f2", "BOW", 0)], most=1)
    >>> [(near.label, round(near.likeness, 3)) for near in find(["q"])[0]]
    [('BOW', 0.999)]
    """
    train = [near.image_sha256 for near in train_pictures]

    def find(images: Sequence[str]) -> list[list[NearPicture]]:
        vectors = _unit(np.asarray(embed([*train, *images]), dtype=np.float64))
        likeness = vectors[len(train) :] @ vectors[: len(train)].T
        return [[replace(train_pictures[i], likeness=float(row[i])) for i in _largest(row, most)] for row in likeness]

    return find


def training_pictures(scores: Scores) -> list[NearPicture]:
    """The first picture of every ``train`` individual whose image is named, in the order of the scores."""
    train = scores.with_role("train")
    _, first = np.unique(train.individual, return_index=True)
    columns = zip(
        *(train.text[name][np.sort(first)] for name in ("image_sha256", "individual", "class")), strict=True
    )
    return [NearPicture(str(image), str(name), str(label), 0.0) for image, name, label in columns if image]


def _near(images: Sequence[str], nearest: NearestPictures | None) -> dict[int, tuple[NearPicture, ...]]:
    """Near pictures by the place of the image they belong to, where there is an image and a way to find them."""
    places = [place for place, image in enumerate(images) if image]
    found = nearest([images[place] for place in places]) if nearest and places else []
    return {place: tuple(near) for place, near in zip(places, found, strict=False)}


def _largest(values: Floats, most: int) -> Ints:
    """Places of the largest numbers, the largest first; NaN is none of them."""
    order = np.argsort(-values, kind="stable")[:most]
    return np.asarray(order[np.isfinite(values[order])])


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12))


def _case(judged: Judged, named: str, i: int, near: tuple[NearPicture, ...]) -> Case:
    text = judged.individuals.text
    return Case(
        individual=str(text["individual"][i]),
        label=str(text["class"][i]),
        named=named,
        action=str(judged.actions[i]),
        score=float(judged.scored.score[i]),
        trip=str(text["trip"][i]),
        image_sha256=str(text["image_sha256"][i]),
        near=near,
    )
