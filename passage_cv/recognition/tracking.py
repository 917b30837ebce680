"""Writes a run down in mlflow: a local SQLite file by default, a server where MLFLOW_TRACKING_URI names one.

The only module that knows mlflow. A run is whole without it; what is logged here lies beside the model as well.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("MLFLOW_DISABLE_TELEMETRY", "true")  # before mlflow is imported: it reports otherwise

from mlflow.entities import Metric, Param, RunTag
from mlflow.tracking import MlflowClient

logging.getLogger("mlflow").setLevel(logging.WARNING)  # it tells of every table of a new file

EXPERIMENT = "passage_cv"
_LONGEST_VALUE = 500
_LONGEST_BATCH = 100


Curve = Sequence[tuple[int, float]]
"""A value at each step, for example the loss of each judged epoch."""


@dataclass(frozen=True, slots=True)
class Record:
    """What is written of a run beside its files.

    ``settings``, ``metrics`` and ``tags`` map plain names to values, ``curves`` to a value at each step.
    """

    settings: Mapping[str, str] = field(default_factory=dict)
    metrics: Mapping[str, float] = field(default_factory=dict)
    tags: Mapping[str, str] = field(default_factory=dict)
    curves: Mapping[str, Curve] = field(default_factory=dict)


def track_run(run: Path, record: Record, *, home: Path) -> str:
    """Log one run with all files of its folder, model and weights among them, and return mlflow's run id.

    Parameters
    ----------
    run
        Folder whose files become artifacts.
    record
        See :class:`Record`.
    home
        Where ``mlflow.db`` and ``mlartifacts`` lie if no server is named.
    """
    client = MlflowClient(
        tracking_uri=os.environ.get("MLFLOW_TRACKING_URI") or f"sqlite:///{home.resolve()}/mlflow.db"
    )
    run_id: str = client.create_run(_experiment(client, home), run_name=run.name).info.run_id
    now = int(time.time() * 1000)
    params = [Param(name, value[:_LONGEST_VALUE]) for name, value in record.settings.items()]
    metrics = [Metric(name, value, now, 0) for name, value in record.metrics.items()]
    metrics += [Metric(name, value, now, step) for name, curve in record.curves.items() for step, value in curve]
    client.log_batch(run_id, tags=[RunTag(name, value) for name, value in record.tags.items()])
    for start in range(0, max(len(params), len(metrics)), _LONGEST_BATCH):
        some = slice(start, start + _LONGEST_BATCH)
        client.log_batch(run_id, metrics=metrics[some], params=params[some])
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
