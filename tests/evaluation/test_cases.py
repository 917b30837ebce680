"""Near training pictures beside the worst cases: found by likeness, absent where nothing is known."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.cases import NearPicture, nearest_by_embedding
from tests.evaluation.small_world import small_cutoffs, small_scores


@given(st.integers(1, 12), st.integers(0, 2**32 - 1))
def test_likeness_is_the_cosine_and_falls(n_train: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    train, own = rng.normal(size=(n_train, 5)), rng.normal(size=(2, 5))
    pictures = [NearPicture(f"t{i}", f"f{i}", "NSH", 0.0) for i in range(n_train)]
    find = nearest_by_embedding(own, np.array(["a", "b"]), train=train, train_pictures=pictures, most=3)
    near = find("b")
    assert len(near) == min(3, n_train)
    cosine = train @ own[1] / (np.linalg.norm(train, axis=1) * np.linalg.norm(own[1]))
    order = np.argsort(-cosine)[:3]
    assert [one.image_sha256 for one in near] == [f"t{i}" for i in order]
    assert np.allclose([one.likeness for one in near], cosine[order])


def test_cases_carry_their_near_pictures() -> None:
    scores = small_scores()
    near = NearPicture("t1", "f1", "BOW", 0.93)
    found = assess(scores, small_cutoffs(scores), nearest=lambda sha256: [near] if sha256.endswith("0") else [])
    assert found.worst[0].image_sha256.endswith("0")
    assert found.worst[0].near == (near,)
    assert found.worst[1].near == ()


def test_without_a_finder_there_are_none() -> None:
    scores = small_scores()
    assert all(case.near == () for case in assess(scores, small_cutoffs(scores)).worst)
