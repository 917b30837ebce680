"""Faults caused for real, against a controller of its own process: a killed gate, a stopped peer, a full file system.

Slow: each starts processes that load the whole program.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from passage_cv.config import configs_folder
from passage_cv.gate.site import Link, read_site
from passage_cv.recognition.model import GateModel
from passage_cv.records import Action
from passage_cv.service.controller import Controller
from passage_cv.service.frames import ListedCamera, RealClock
from passage_cv.service.link import ModbusPlant
from passage_cv.service.log import GateLog, LogLine
from passage_cv.service.machine import Fault, State
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.gate_world import WEIGHTS, write_model
from tests.service.river import River
from tests.service.test_video import write_video

pytestmark = pytest.mark.slow

PEER = Path(__file__).with_name("peer.py")
MAIN = [sys.executable, "-c", "from passage_cv.cli.main import main; main()"]
SITE = read_site(configs_folder() / "site" / "kettleback.toml").model_copy(update={"setup_id": "demo-setup"})


@pytest.fixture
def port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def peer(port: int, *more: str) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen([sys.executable, str(PEER), str(port), *more])
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def wait_until(is_so: Callable[[], bool], seconds: float = 60.0) -> None:
    until = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < until, "it never came so far"
        time.sleep(0.05)


@dataclass
class Gate:
    """A gate in this process before a controller in another."""

    controller: Controller
    plant: ModbusPlant
    log: GateLog
    river: River

    def show(self, pictures: list[bytes | None]) -> None:
        self.controller.run(ListedCamera(pictures, RealClock(), setup_id="demo-setup", frames_per_s=20))

    def make_ready(self) -> None:
        wait_until(lambda: self.plant.state().is_local and self.plant.state().position is Position.SAFE)
        self.controller.start(by="TBO")
        self.show([*self.river.empty(FIRST_FRAMES)])
        while not (self.plant.state().is_remote and self.plant.state().echoes_package):
            self.show([*self.river.empty(1)])

    @property
    def lines(self) -> list[LogLine]:
        return list(self.log.lines())

    @property
    def fault(self) -> Fault | None:
        return self.controller.machine.fault


@contextmanager
def gate(package: Path, keys: Path, log: Path, port: int) -> Iterator[Gate]:
    site = SITE.model_copy(update={"link": Link(port=port, heartbeat_timeout_s=1.5, confirm_s=1.0)})
    with ModbusPlant(site.link) as plant, GateLog(log) as open_log:
        yield Gate(Controller(package, site, open_log, plant, RealClock(), keys=keys), plant, open_log, River())


def test_a_stopped_peer_is_a_lost_link(package: Path, keys: Path, port: int, tmp_path: Path) -> None:
    with gate(package, keys, tmp_path / "gate.sqlite", port) as one, peer(port) as process:
        one.make_ready()
        one.show([*one.river.one("AMS")])
        assert [line.confirmed for line in one.lines] == ["pass"]
        process.send_signal(signal.SIGSTOP)
        one.show([*one.river.empty(40), *one.river.one("AMS")])
        assert one.fault is Fault.LINK
        process.send_signal(signal.SIGCONT)
        one.show([*one.river.empty(10), *one.river.one("AMS")])
        assert one.controller.machine.state is State.FAULT
        assert {line.action for line in one.lines[1:]} == {Action.NO_DECISION}
        assert one.plant.state().position.value == "safe"


def test_a_killed_peer_is_a_lost_link(package: Path, keys: Path, port: int, tmp_path: Path) -> None:
    with gate(package, keys, tmp_path / "gate.sqlite", port) as one:
        with peer(port):
            one.make_ready()
        one.show([*one.river.empty(40), *one.river.one("AMS")])
        assert one.fault is Fault.LINK
        assert {line.action for line in one.lines} == {Action.NO_DECISION}


def test_a_peer_that_never_confirms_is_a_fault(package: Path, keys: Path, port: int, tmp_path: Path) -> None:
    with gate(package, keys, tmp_path / "gate.sqlite", port) as one, peer(port, "deaf"):
        wait_until(lambda: one.plant.state().is_alive)
        with pytest.raises(Exception, match="at position unknown"):
            one.controller.start(by="TBO")


def test_a_full_file_system_passes_nothing(package: Path, keys: Path, port: int, tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(small)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("needs the right to mount a small tmpfs")
    try:
        with gate(package, keys, small / "gate.sqlite", port) as one, peer(port):
            one.make_ready()
            one.show([*one.river.one("AMS")])
            assert [line.confirmed for line in one.lines] == ["pass"]
            fill(small)
            one.show([*one.river.one("AMS"), *one.river.one("AMS")])
            assert one.fault is Fault.LOG
            assert [line.action for line in one.lines] == [Action.PASS]
            wait_until(lambda: one.plant.state().position.value == "safe", 5)
    finally:
        subprocess.run(["umount", "-l", str(small)], check=True)


def fill(folder: Path) -> None:
    """Write until there is no room for another page."""
    with (folder / "filler").open("wb", buffering=0) as stream, contextlib.suppress(OSError):
        while True:
            stream.write(b"0" * 4096)


def test_a_log_that_another_process_locks_passes_nothing(
    package: Path, keys: Path, port: int, tmp_path: Path
) -> None:
    with gate(package, keys, tmp_path / "gate.sqlite", port) as one, peer(port):
        one.make_ready()
        other = sqlite3.connect(tmp_path / "gate.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        one.show([*one.river.one("AMS")])
        other.execute("ROLLBACK")
        assert one.fault is Fault.LOG
        assert one.lines == []


def test_a_model_that_gives_no_number_holds(package: Path, keys: Path, port: int, tmp_path: Path) -> None:
    write_model(tmp_path / "nan.onnx", weights=np.full_like(WEIGHTS, np.nan))
    with gate(package, keys, tmp_path / "gate.sqlite", port) as one, peer(port):
        one.make_ready()
        assert one.controller.packages is not None
        loaded = one.controller.packages.at(RealClock().now()).gate
        object.__setattr__(loaded, "model", GateModel(tmp_path / "nan.onnx"))
        one.show([*one.river.one("AMS")])
        assert [(line.action, line.hold_reason) for line in one.lines] == [(Action.HOLD, "score is not a number")]


def test_a_slow_model_misses_the_deadline(package: Path, keys: Path, port: int, tmp_path: Path) -> None:
    with gate(package, keys, tmp_path / "gate.sqlite", port) as one, peer(port):
        one.make_ready()
        assert one.controller.packages is not None
        loaded = one.controller.packages.at(RealClock().now()).gate
        object.__setattr__(loaded, "model", Slow(loaded.model))
        one.show([*one.river.one("AMS")])
        assert [(line.action, line.hold_reason) for line in one.lines] == [(Action.NO_DECISION, "deadline missed")]
        assert one.lines[0].commanded == "safe"


class Slow:
    """A model on an overloaded computer."""

    def __init__(self, model: GateModel) -> None:
        self.model = model

    def logits(self, crops: np.ndarray) -> np.ndarray:
        time.sleep(SITE.timing.left_s)
        return self.model.logits(crops)


def test_a_killed_gate_never_starts_by_itself(package: Path, keys: Path, port: int, tmp_path: Path) -> None:
    river, log, site = River(), tmp_path / "gate.sqlite", tmp_path / "site.toml"
    text = (configs_folder() / "site" / "kettleback.toml").read_text()
    site.write_text(text.replace('"KBW-2"', '"demo-setup"').replace("port = 5020", f"port = {port}"))
    video = write_video(
        tmp_path / "lift.mkv", [*river.empty(30), *(data for _ in range(40) for data in river.one("AMS"))]
    )
    command = [*MAIN, "gate", "run", str(package), "--video", str(video), "--site", str(site), "--log", str(log)]
    command += ["--by", "TBO", "--keys", str(keys), "--live", "--wait", "20"]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    with peer(port):
        running = subprocess.Popen(command, env=environment)
        try:
            wait_until(lambda: log.is_file() and any(line.confirmed == "pass" for line in lines_of(log)))
        finally:
            running.send_signal(signal.SIGKILL)
            running.wait()
    kept = lines_of(log)
    assert all(line.commanded == "pass" for line in kept if line.confirmed == "pass")
    with peer(port):
        again = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=90, check=False)
    assert again.returncode == 1
    assert "was cut off" in again.stderr + again.stdout
    assert len(lines_of(log)) == len(kept)


def lines_of(log: Path) -> list[LogLine]:
    with GateLog(log) as one:
        return list(one.lines())


def test_a_package_that_is_swapped_under_the_gate_passes_nothing(
    package: Path, keys: Path, port: int, tmp_path: Path
) -> None:
    own = Path(shutil.copytree(package, tmp_path / "own"))
    with gate(own, keys, tmp_path / "gate.sqlite", port) as one, peer(port):
        one.make_ready()
        write_model(own / "model.onnx", weights=-WEIGHTS)
        one.show([*one.river.one("NSH"), *one.river.one("AMS")])
        assert one.fault is Fault.PACKAGE
        assert {line.action for line in one.lines} == {Action.NO_DECISION}
