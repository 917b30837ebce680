"""A run folder holds what formats 6 says, and says truly how good it is."""

import json
from pathlib import Path

import pytest

from passage_cv.config import configs_folder, read_settings
from passage_cv.errors import InputError, PassageWarning
from passage_cv.files import sha256_file
from passage_cv.policy import Policy
from passage_cv.recognition.train import TrainSettings, train_model
from passage_cv.scores import read_scores
from tests.recognition.conftest import World, small_settings

FILES = {
    "model.onnx",
    "head.safetensors",
    "unfamiliarity.safetensors",
    "settings.toml",
    "classes.json",
    "crop.json",
    "train_scores.parquet",
    "metrics.json",
    "mlflow.txt",
    "classes.csv",
    "reliability.svg",
    "curves.svg",
}
"""Formats 6, and what is drawn of a run to look at."""


def test_a_run_holds_every_file_of_the_format(world: World) -> None:
    assert {path.name for path in world.run.iterdir()} == FILES
    assert world.summary.model_sha256 == sha256_file(world.run / "model.onnx")


def test_plain_colours_are_told_apart_out_of_fold(world: World) -> None:
    assert world.summary.metrics["balanced_accuracy_individual"] == 1.0
    assert json.loads((world.run / "metrics.json").read_text())["model_sha256"] == world.summary.model_sha256


def test_settings_read_back_as_they_were(world: World) -> None:
    assert read_settings(world.run / "settings.toml", TrainSettings) == small_settings()


def test_out_of_fold_scores_are_of_train_only(world: World) -> None:
    scores = read_scores(world.run / "train_scores.parquet")
    table = world.version.table().to_pylist()
    assert sorted(scores.text["image_sha256"]) == sorted(
        row["image_sha256"] for row in table if row["role"] == "train"
    )
    assert set(scores.role) == {"train"}


def test_a_run_is_never_written_over(world: World) -> None:
    with pytest.raises(InputError, match=r"Folder is there already \(.*run\)"):
        train_model(small_settings(), world.store, world.version, world.run)


def test_other_weights_than_named_are_refused_and_leave_nothing(world: World, tmp_path: Path) -> None:
    settings = small_settings()
    wrong = settings.model_copy(
        update={"backbone": settings.backbone.model_copy(update={"weights_sha256": "0" * 64})}
    )
    with pytest.raises(InputError, match="Backbone weights have hash 579344248a93, the settings name 000000000000"):
        train_model(wrong, world.store, world.version, tmp_path / "run")
    assert list(tmp_path.iterdir()) == []


def test_a_picture_that_cannot_be_drawn_loses_itself_alone(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> bytes:
        raise RuntimeError("no fonts")

    monkeypatch.setattr("passage_cv.recognition.record.draw_reliability", fails)
    with pytest.warns(PassageWarning, match=r"reliability\.svg was not drawn: no fonts"):
        train_model(small_settings(), world.store, world.version, tmp_path / "run")
    assert {path.name for path in (tmp_path / "run").iterdir()} == FILES - {"reliability.svg"}


def test_quick_too_refuses_mirrored_pictures_where_sides_matter(world: World, tmp_path: Path) -> None:
    site = read_settings(configs_folder() / "policy" / "quillmarsh.toml", Policy)
    policy = site.model_copy(update={"sides_matter": True})
    settings = small_settings().model_copy(update={"mirrored": True})
    with pytest.raises(InputError, match="sides matter"):
        train_model(settings, world.store, world.version, tmp_path / "run", policy=policy)
    assert not (tmp_path / "run").exists()
