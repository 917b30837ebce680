"""One small package for the service tests."""

from pathlib import Path

import pytest

from tests.gate_world import build_world


@pytest.fixture(scope="session")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("service")
    return build_world(folder / "world").pack(folder / "kettleback-1")
