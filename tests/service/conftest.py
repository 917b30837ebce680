"""One small package for the service tests, signed by two people, their keys, and a bench to run it on."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from passage_cv.gate.signature import make_key, sign_package
from passage_cv.service.controller import Controller
from passage_cv.service.log import GateLog
from passage_cv.service.presence import FIRST_FRAMES
from tests.gate_world import build_world
from tests.service.bench import Bench, make_site
from tests.service.river import River, SimulatedPlant, make_clock

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


@pytest.fixture
def make_bench(package: Path, keys: Path, tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    logs: list[GateLog] = []

    def make(*, shadow: bool = False, start: bool = True, **site: object) -> Bench:
        own = Path(shutil.copytree(package, tmp_path / f"package-{len(logs)}"))
        log = GateLog(tmp_path / f"gate-{len(logs)}.sqlite")
        logs.append(log)
        plant, clock, river = SimulatedPlant(), make_clock(), River()
        bench = Bench(Controller(own, make_site(**site), log, plant, clock, keys=keys), plant, clock, log, river, own)
        if start:
            bench.controller.start(by="TBO", shadow=shadow)
            plant.change(is_remote=True)
            bench.show(list(river.empty(FIRST_FRAMES)))
        return bench

    yield make
    for log in logs:
        log.close()
