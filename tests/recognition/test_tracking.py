"""A run in mlflow's own file can be found again with its numbers, curves, pictures and files."""

import csv
import subprocess
import tomllib
from pathlib import Path

import pytest
from mlflow.entities import Run
from mlflow.tracking import MlflowClient

from passage_cv.errors import PassageWarning
from passage_cv.recognition import train
from passage_cv.recognition.record import program_commit
from tests.recognition.conftest import World


@pytest.fixture(scope="module")
def client(world: World) -> MlflowClient:
    return MlflowClient(tracking_uri=f"sqlite:///{world.run.parent}/mlflow.db")


@pytest.fixture(scope="module")
def logged(world: World, client: MlflowClient) -> Run:
    return client.get_run((world.run / "mlflow.txt").read_text().strip())


def test_settings_are_logged_one_by_one(logged: Run, world: World) -> None:
    assert logged.info.status == "FINISHED"
    params, settings = logged.data.params, tomllib.loads((world.run / "settings.toml").read_text())
    assert params["folds"] == "5"
    assert params["backbone.weights_sha256"] == settings["backbone"]["weights_sha256"]
    assert params["heads.0.shrinkages"] == str(settings["heads"][0]["shrinkages"])


def test_version_roles_and_commit_are_tags(logged: Run, world: World) -> None:
    tags, metrics = logged.data.tags, world.summary.metrics
    assert tags["version"] == world.version.name
    assert tags["settings_sha256"] == metrics["settings_sha256"]
    assert tags["roles_sha256"] == metrics["roles_sha256"]
    assert tags["model_sha256"] == world.summary.model_sha256
    head = subprocess.run(["git", "rev-parse", "HEAD"], capture_output=True, text=True, check=False).stdout.strip()
    assert program_commit().rstrip("+") == (head or "none")
    assert tags["commit"] != ""


def test_figures_of_each_class_and_curves_are_metrics(logged: Run, client: MlflowClient, world: World) -> None:
    assert logged.data.metrics["balanced_accuracy_individual"] == 1.0
    assert logged.data.metrics["right_of/amia-calva"] == 1.0
    curve = client.get_metric_history(logged.info.run_id, "tried_loss")
    losses = [one["loss"] for one in world.summary.metrics["tried"]]
    assert [point.value for point in sorted(curve, key=lambda point: point.step)] == losses


def test_model_weights_picture_and_class_table_are_artifacts(
    logged: Run, client: MlflowClient, world: World, tmp_path: Path
) -> None:
    names = {found.path for found in client.list_artifacts(logged.info.run_id)}
    assert {
        "model.onnx", "head.safetensors", "metrics.json", "train_scores.parquet", "reliability.svg", "curves.svg",
        "classes.csv",
    } <= names  # fmt: skip
    table = Path(client.download_artifacts(logged.info.run_id, "classes.csv", str(tmp_path)))
    with table.open(newline="") as stream:
        rows = {row["class"]: int(row["individuals"]) for row in csv.DictReader(stream)}
    assert rows == {name: one["individuals"] for name, one in world.summary.metrics["classes"].items()}
    picture = Path(client.download_artifacts(logged.info.run_id, "reliability.svg", str(tmp_path)))
    assert picture.read_text().startswith("<?xml")


def test_a_server_that_does_not_answer_loses_the_log_not_the_run(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MLFLOW_TRACKING_URI", "http://127.0.0.1:9")
    monkeypatch.setenv("MLFLOW_HTTP_REQUEST_MAX_RETRIES", "0")
    with pytest.warns(PassageWarning, match="Run was not tracked"):
        done = train.train_model(_settings(world), world.store, world.version, tmp_path / "run")
    assert (tmp_path / "run" / "mlflow.txt").read_text() == "not tracked\n"
    assert done.model_sha256 == world.summary.model_sha256


def _settings(world: World) -> train.TrainSettings:
    return train.TrainSettings.model_validate(tomllib.loads((world.run / "settings.toml").read_text()))
