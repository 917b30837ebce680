"""Writes a run down in mlflow: a local SQLite file by default, a server where MLFLOW_TRACKING_URI names one.

The only module that knows mlflow. A run is whole without it; what is logged here lies beside the model as well.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Mapping
from pathlib import Path

os.environ.setdefault("MLFLOW_DISABLE_TELEMETRY", "true")  # before mlflow is imported: it reports otherwise

from mlflow.entities import Metric, Param, RunTag
from mlflow.tracking import MlflowClient

logging.getLogger("mlflow").setLevel(logging.WARNING)  # it tells of every table of a new file

EXPERIMENT = "passage_cv"
_LONGEST_VALUE = 500
_LONGEST_BATCH = 100


def track_run(
    run: Path,
    *,
    settings: Mapping[str, str],
    metrics: Mapping[str, float],
    tags: Mapping[str, str],
    home: Path,
) -> str:
    """Log one run with all files of its folder, and return mlflow's run id.

    Parameters
    ----------
    run
        Folder whose files become artifacts.
    settings, metrics, tags
        Plain names to values.
    home
        Where ``mlflow.db`` and ``mlartifacts`` lie if no server is named.
    """
    client = MlflowClient(
        tracking_uri=os.environ.get("MLFLOW_TRACKING_URI") or f"sqlite:///{home.resolve()}/mlflow.db"
    )
    run_id: str = client.create_run(_experiment(client, home), run_name=run.name).info.run_id
    now = int(time.time() * 1000)
    params = [Param(name, value[:_LONGEST_VALUE]) for name, value in settings.items()]
    client.log_batch(
        run_id,
        metrics=[Metric(name, value, now, 0) for name, value in metrics.items()],
        params=params[:_LONGEST_BATCH],
        tags=[RunTag(name, value) for name, value in tags.items()],
    )
    client.log_artifacts(run_id, str(run))
    client.set_terminated(run_id)
    return run_id


def _experiment(client: MlflowClient, home: Path) -> str:
    known = client.get_experiment_by_name(EXPERIMENT)
    if known is not None:
        found: str = known.experiment_id
        return found
    is_local = not os.environ.get("MLFLOW_TRACKING_URI")
    made: str = client.create_experiment(EXPERIMENT, (home.resolve() / "mlartifacts").as_uri() if is_local else None)
    return made
