"""Which training pictures a model finds alike: through the run's own model file, kept, and never a reason to stop."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from passage_cv.errors import InputError
from passage_cv.pipeline import find_nearest
from passage_cv.recognition.likeness import Looks
from passage_cv.recognition.score import score_version
from passage_cv.scores import Scores
from tests.recognition.conftest import World


@pytest.fixture(scope="module")
def scores(world: World) -> Scores:
    return score_version(world.run, world.store, world.version)


def test_near_pictures_are_of_the_training_fish_that_look_alike(world: World, scores: Scores) -> None:
    """The pictures are one colour per class: what looks alike is of the same class."""
    asked = scores.with_role("test")
    found = find_nearest(world.run, world.store, scores)(asked.text["image_sha256"].tolist())
    train = scores.with_role("train")
    for label, near in zip(asked.label, found, strict=True):
        assert [one.label for one in near] == [label] * 3
        assert {one.individual for one in near} <= set(train.individual)
        assert len({one.individual for one in near}) == 3
        assert 1 >= near[0].likeness >= near[1].likeness >= near[2].likeness


def test_a_picture_that_is_gone_has_no_embedding(world: World, scores: Scores) -> None:
    looks = Looks.of(world.run, world.store)
    here = str(scores.text["image_sha256"][0])
    rows = looks.embed([here, "0" * 64, here])
    assert rows.shape == (3, looks.embedder.width)
    assert np.isfinite(rows[0]).all()
    assert np.isnan(rows[1]).all()
    assert (rows[0] == rows[2]).all()
    assert looks.embed([]).shape == (0, looks.embedder.width)


def test_an_embedding_is_made_once(world: World, scores: Scores, monkeypatch: pytest.MonkeyPatch) -> None:
    looks = Looks.of(world.run, world.store)
    here = [str(name) for name in scores.text["image_sha256"][:2]]
    first = looks.embed(here)
    monkeypatch.setattr(type(looks.embedder), "embed", None)  # would fail if it were asked again
    assert (looks.embed(here) == first).all()


def test_scores_of_another_model_are_refused(world: World, scores: Scores) -> None:
    other = replace(scores, meta={**scores.meta, "model_sha256": "f" * 64})
    with pytest.raises(InputError, match="Scores come from model ffffffff, the run holds"):
        find_nearest(world.run, world.store, other)


def test_a_folder_that_is_no_run_is_refused(world: World, scores: Scores, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="missing"):
        find_nearest(tmp_path, world.store, scores)
