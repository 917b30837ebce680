"""Near training pictures beside the worst cases: found by likeness, absent where nothing is known."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.cases import NearPicture, nearest_by_embedding, training_pictures
from passage_cv.scores import build_scores
from tests.evaluation.small_world import small_cutoffs, small_scores


@given(st.integers(1, 12), st.integers(0, 2**32 - 1))
def test_likeness_is_the_cosine_and_falls(n_train: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    train, own = rng.normal(size=(n_train, 5)), rng.normal(size=(2, 5))
    pictures = [NearPicture(f"t{i}", f"f{i}", "NSH", 0.0) for i in range(n_train)]
    vectors = {f"t{i}": train[i] for i in range(n_train)} | {"a": own[0], "b": own[1]}
    find = nearest_by_embedding(lambda images: np.array([vectors[image] for image in images]), pictures, most=3)
    _, near = find(["a", "b"])
    assert len(near) == min(3, n_train)
    cosine = train @ own[1] / (np.linalg.norm(train, axis=1) * np.linalg.norm(own[1]))
    order = np.argsort(-cosine)[:3]
    assert [one.image_sha256 for one in near] == [f"t{i}" for i in order]
    assert np.allclose([one.likeness for one in near], cosine[order])


def test_cases_carry_their_near_pictures() -> None:
    scores = small_scores()
    near = NearPicture("t1", "f1", "BOW", 0.93)
    found = assess(
        scores,
        small_cutoffs(scores),
        nearest=lambda images: [[near] if image.endswith("0") else [] for image in images],
    )
    assert found.worst[0].image_sha256.endswith("0")
    assert found.worst[0].near == (near,)
    assert found.worst[1].near == ()


def test_a_picture_that_cannot_be_used_is_near_to_none() -> None:
    vectors = {"t0": [np.nan, np.nan], "t1": [1.0, 0.0], "q": [1.0, 1.0], "gone": [np.nan, np.nan]}
    pictures = [NearPicture(name, name, "NSH", 0.0) for name in ("t0", "t1")]
    find = nearest_by_embedding(lambda images: np.array([vectors[image] for image in images]), pictures)
    assert [[near.image_sha256 for near in found] for found in find(["q", "gone"])] == [["t1"], []]


def test_training_pictures_are_one_per_training_fish() -> None:
    columns = {
        "individual": ["a", "a", "b", "c", "d"],
        "class": ["NSH", "NSH", "BOW", "NSH", "BOW"],
        "role": ["train", "train", "train", "test", "train"],
        "image_sha256": ["a1", "a2", "b1", "c1", ""],
    }
    found = training_pictures(build_scores("logit", ["NSH", "BOW"], np.zeros((5, 2)), columns))
    assert [(one.image_sha256, one.individual, one.label) for one in found] == [
        ("a1", "a", "NSH"),
        ("b1", "b", "BOW"),
    ]


def test_without_a_finder_there_are_none() -> None:
    scores = small_scores()
    assert all(case.near == () for case in assess(scores, small_cutoffs(scores)).worst)
