"""One small package for all gate tests; tests that change it take a copy."""

import shutil
from pathlib import Path

import pytest

from tests.gate_world import GateWorld, build_world


@pytest.fixture(scope="session")
def world(tmp_path_factory: pytest.TempPathFactory) -> GateWorld:
    return build_world(tmp_path_factory.mktemp("world"))


@pytest.fixture(scope="session")
def package(world: GateWorld, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return world.pack(tmp_path_factory.mktemp("packages") / "kettleback-1")


@pytest.fixture
def copied(package: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(package, tmp_path / "copied"))
