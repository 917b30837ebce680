"""Settings that every test shares."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

os.environ.setdefault("MLFLOW_DISABLE_TELEMETRY", "true")

# No timed unit tests: a busy machine is no defect, so examples have no deadline. CI draws the same ones each time.
settings.register_profile(
    "project",
    deadline=None,
    max_examples=60,
    derandomize=bool(os.environ.get("CI")),
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("project")
