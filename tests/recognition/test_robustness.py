"""Fish in worse views are scored by heads that had not seen them; the views as taken give the run's own scores."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.recognition.robustness import SWEEPS, left_out_views, worse_views
from passage_cv.scores import Scores, read_scores
from tests.recognition.conftest import World


@pytest.fixture(scope="module")
def swept(world: World) -> dict[str, dict[float, Scores]]:
    return worse_views(world.run, world.store, per_class=2, seed=3)


def test_views_as_taken_have_the_out_of_fold_logits_of_the_run(
    world: World, swept: dict[str, dict[float, Scores]]
) -> None:
    kept = read_scores(world.run / "train_scores.parquet")
    rows = {str(name): row for name, row in zip(kept.text["image_sha256"], kept.values, strict=True)}
    as_taken = swept["turbidity"][1.0]
    for name, row in zip(as_taken.text["image_sha256"], as_taken.values, strict=True):
        np.testing.assert_allclose(row, rows[str(name)], atol=1e-6)


def test_every_level_has_the_same_fish_and_all_their_views(
    world: World, swept: dict[str, dict[float, Scores]]
) -> None:
    kept = read_scores(world.run / "train_scores.parquet")
    for sweep in SWEEPS:
        assert tuple(swept[sweep.name]) == sweep.levels
        for scores in swept[sweep.name].values():
            assert set(scores.role) == {"train"}
            names, views = np.unique(scores.individual, return_counts=True)
            assert len(names) == 6  # two of each of three classes
            for name, count in zip(names, views, strict=True):
                assert count == (kept.individual == name).sum()


def test_each_change_changes_more_at_each_level() -> None:
    picture = np.full((90, 160, 3), (60, 80, 70), np.uint8)
    picture[20:70, 10:150] = (180, 120, 60)
    for sweep in SWEEPS:
        off = [np.abs(sweep.apply(picture, level).astype(int) - picture).mean() for level in sweep.levels]
        assert off[0] == 0, sweep.name
        assert off == sorted(off), sweep.name
        assert off[-1] > 1, sweep.name


@given(st.integers(20, 80), st.integers(20, 80), st.sampled_from(SWEEPS))
def test_a_change_keeps_shape_and_type(height: int, width: int, sweep: object) -> None:
    picture = np.full((height, width, 3), 90, np.uint8)
    for level in sweep.levels:
        changed = sweep.apply(picture, level)
        assert changed.shape == picture.shape
        assert changed.dtype == np.uint8


def test_one_site_cannot_be_left_out(world: World) -> None:
    with pytest.raises(InputError, match="at least 2 are needed"):
        left_out_views(world.run, world.store, "site")


def test_a_fine_tuned_run_is_refused(world: World, tmp_path: Path) -> None:
    run = Path(shutil.copytree(world.run, tmp_path / "run"))
    shutil.copy("configs/train/tuned.toml", run / "settings.toml")
    with pytest.raises(InputError, match="keeps no models that had not seen a fish"):
        worse_views(run, world.store)
