"""One small package for the service tests, signed by two people, and the keys that say so."""

from pathlib import Path

import pytest

from passage_cv.gate.signature import make_key, sign_package
from tests.gate_world import build_world

SIGNERS = ("TBO", "RKV")


@pytest.fixture(scope="session")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with key pairs of two people; a gate reads the public ones alone."""
    folder = tmp_path_factory.mktemp("keys")
    for name in SIGNERS:
        make_key(folder, name)
    return folder


@pytest.fixture(scope="session")
def package(tmp_path_factory: pytest.TempPathFactory, keys: Path) -> Path:
    folder = tmp_path_factory.mktemp("service")
    made = build_world(folder / "world").pack(folder / "kettleback-1")
    for name in SIGNERS:
        sign_package(made, keys / f"{name}.key")
    return made
