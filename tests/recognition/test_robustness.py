"""Fish in worse views are scored by heads that had not seen them; the views as taken give the run's own scores."""

import shutil
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st
from safetensors.numpy import load_file, save_file

from passage_cv.config import configs_folder, read_settings
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.recognition import asked_again
from passage_cv.recognition.asked_again import TrainFish, can_leave_out, read_train_fish, require_whole, without_each
from passage_cv.recognition.embed import Run
from passage_cv.recognition.familiarity import Axes, Familiar, Joined, Unfamiliarity
from passage_cv.recognition.fold_networks import fold_tensors, keep_average, open_fold
from passage_cv.recognition.networks import build_network
from passage_cv.recognition.robustness import SWEEPS, worse_views
from passage_cv.recognition.rows import Rows
from passage_cv.recognition.settings import read_train_settings
from passage_cv.recognition.train import train_model
from passage_cv.recognition.tuned_settings import NetworkSettings, TunedSettings
from passage_cv.scores import Scores, read_scores
from tests.recognition.conftest import SMALL, World, make_store, tuned_settings


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
    assert "site" not in can_leave_out(world.run, world.store)
    with pytest.raises(InputError, match="at least 2 are needed"):
        without_each(world.run, world.store, "site")


@dataclass(frozen=True)
class Tuned:
    """A fine-tuned run on three trips, its folds drawn by trip."""

    store: Store
    run: Path
    fish: TrainFish


@pytest.fixture(scope="module")
def tuned(tmp_path_factory: pytest.TempPathFactory) -> Tuned:
    folder = tmp_path_factory.mktemp("trips")
    store, run = make_store(folder, per_class=4, trips=3), folder / "run"
    torch.set_num_threads(1)
    network = NetworkSettings(name="squeezenet1_1", weights="random", weights_sha256="", drop_features=0.0)
    settings = tuned_settings(epochs=1).model_copy(update={"network": network})
    train_model(settings, store, open_version(store), run)
    return Tuned(store, run, read_train_fish(run, store))


def test_every_fish_is_asked_of_its_own_folds_network(tuned: Tuned, monkeypatch: pytest.MonkeyPatch) -> None:
    def stand_in(run: Path, number: int, settings: object, n_classes: int) -> Run:
        return lambda crops: np.array([[10 * number, crops.mean() / 255, 0, number]], np.float32)

    monkeypatch.setattr(asked_again, "open_fold", stand_in)  # the tiny network has learnt nothing to tell apart
    found = worse_views(tuned.run, tuned.store, per_class=2, seed=3)["under-exposure"]
    fold_of = dict(zip(tuned.fish.rows.images, tuned.fish.fold, strict=True))
    assert len(set(fold_of.values())) == 2
    for scores in found.values():
        asked = [10 * fold_of[str(name)] for name in scores.text["image_sha256"]]
        np.testing.assert_array_equal(scores.values[:, 0], asked)
        np.testing.assert_array_equal(scores.numbers["unfamiliarity"] * 10, asked)
    light = [scores.values[:, 1] for scores in found.values()]
    assert all(np.all(darker < lighter) for lighter, darker in pairwise(light))


def test_views_as_taken_have_the_logits_out_of_fold_of_a_fine_tuned_run(tuned: Tuned) -> None:
    kept = read_scores(tuned.run / "train_scores.parquet")
    row_of = {str(name): row for name, row in zip(kept.text["image_sha256"], kept.values, strict=True)}
    as_taken = worse_views(tuned.run, tuned.store, per_class=1)["blur"][0.0]
    wanted = np.stack([row_of[str(name)] for name in as_taken.text["image_sha256"]])
    assert np.abs(as_taken.values - wanted).max() < 1e-3 * np.ptp(wanted)  # single precision


def test_a_kept_network_gives_what_it_gave_times_the_scale(tmp_path: Path) -> None:
    settings = read_settings(configs_folder() / "train" / "tuned.toml", TunedSettings)
    torch.manual_seed(1)
    network, _ = build_network(settings.network, 3)
    crops = np.random.default_rng(1).integers(0, 256, (8, SMALL, SMALL, 3), dtype=np.uint8)
    pixels = torch.from_numpy(crops).permute(0, 3, 1, 2).float() / 127.5 - 1
    with torch.inference_mode():
        wanted = 2.5 * network.eval()(pixels).numpy()
    keep_average(network, tmp_path, 0, 7)
    axes = Axes(np.ones(1280), np.zeros(1280))
    says = Unfamiliarity(Familiar(axes, np.eye(3, 1280), axes), Joined(np.zeros(2), np.ones(2)))
    for name, tensors in fold_tensors(tmp_path, 7, 2.5, [says]).items():
        save_file(dict(tensors), tmp_path / name)
    found = open_fold(tmp_path, 0, settings, 3)(crops)
    assert np.abs(found[:, :3] - wanted).max() < 1e-3 * wanted.std(axis=0).min()
    with torch.inference_mode():
        features = network.features(pixels).numpy()
    np.testing.assert_allclose(found[:, 3], says.of(features), rtol=1e-3)


def test_a_network_kept_before_2026_11_26_says_logits_alone(tuned: Tuned, tmp_path: Path) -> None:
    kept = load_file(tuned.run / "fold-0.safetensors")
    save_file(
        {name: one for name, one in kept.items() if "unfamiliarity" not in name}, tmp_path / "fold-0.safetensors"
    )
    settings = read_train_settings(tuned.run / "settings.toml")
    assert isinstance(settings, TunedSettings)
    crops = np.random.default_rng(1).integers(0, 256, (2, SMALL, SMALL, 3), dtype=np.uint8)
    before, now = (open_fold(folder, 0, settings, 3)(crops) for folder in (tmp_path, tuned.run))
    np.testing.assert_array_equal(before, now[:, :3])


def test_trips_are_left_out_of_a_fine_tuned_run_by_its_folds(tuned: Tuned) -> None:
    assert can_leave_out(tuned.run, tuned.store) == ("trip",)
    found, kept = without_each(tuned.run, tuned.store, "trip"), read_scores(tuned.run / "train_scores.parquet")
    assert len(set(found.text["trip"].tolist())) == 3
    np.testing.assert_array_equal(found.values, kept.values)
    np.testing.assert_array_equal(found.numbers["unfamiliarity"], kept.numbers["unfamiliarity"])
    trips, fold = np.array(tuned.fish.rows.column("trip")), tuned.fish.fold
    assert all(not set(trips[fold == one]) & set(trips[fold != one]) for one in set(fold))


def test_what_folds_split_is_not_called_left_out(tuned: Tuned) -> None:
    rows = tuned.fish.rows
    half = np.where(np.arange(len(rows)) % 2, "KBW", "HOL")
    table = rows.table.drop(["site"]).append_column("site", [half.tolist()])
    with pytest.raises(InputError, match="2 sites lie in several folds of the fine-tuned run"):
        require_whole(replace(tuned.fish, rows=Rows(table, rows.label)), "site", where=tuned.run)


def test_a_fine_tuned_run_without_folds_networks_is_refused(tuned: Tuned, tmp_path: Path) -> None:
    run = Path(shutil.copytree(tuned.run, tmp_path / "run"))
    for path in run.glob("fold-*.safetensors"):
        path.unlink()
    with pytest.raises(InputError, match="keeps no networks that had not seen a fish"):
        worse_views(run, tuned.store)
