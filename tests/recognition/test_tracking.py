"""A run in mlflow's own file can be found again with its numbers and files."""

import tomllib
from pathlib import Path

import pytest
from mlflow.tracking import MlflowClient

from passage_cv.errors import PassageWarning
from passage_cv.recognition import train
from tests.recognition.conftest import World


def test_settings_metrics_and_files_are_logged(world: World) -> None:
    run_id = (world.run / "mlflow.txt").read_text().strip()
    client = MlflowClient(tracking_uri=f"sqlite:///{world.run.parent}/mlflow.db")
    logged = client.get_run(run_id)
    assert logged.info.status == "FINISHED"
    assert logged.data.metrics["balanced_accuracy_individual"] == 1.0
    assert logged.data.tags["version"] == world.version.name
    assert logged.data.tags["settings_sha256"] == world.summary.metrics["settings_sha256"]
    assert logged.data.params["folds"] == "5"
    assert {"model.onnx", "metrics.json", "train_scores.parquet"} <= {
        found.path for found in client.list_artifacts(run_id)
    }


def test_a_server_that_does_not_answer_loses_the_log_not_the_run(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*args: object, **options: object) -> str:
        raise ConnectionError("no route to host")

    monkeypatch.setattr(train, "track_run", fail)
    tmp_path.joinpath("run").mkdir()
    with pytest.warns(PassageWarning, match="Run was not tracked: no route to host"):
        train._track(tmp_path / "run", train.TrainSettings.model_validate(_values(world)), {})
    assert (tmp_path / "run" / "mlflow.txt").read_text() == "not tracked\n"


def _values(world: World) -> dict[str, object]:
    return tomllib.loads((world.run / "settings.toml").read_text())
