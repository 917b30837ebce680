"""The Modbus link: what may be written, a heartbeat that stops, positions read back, and a client in C."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pymodbus.client import ModbusTcpClient

from passage_cv.config import configs_folder
from passage_cv.errors import InputError
from passage_cv.gate.registers import BY_NAME, TEST_PATTERN, Verdict, decode_float32, decode_verdict, package_crc
from passage_cv.gate.site import Link, Trigger, read_site
from passage_cv.service.controller import Controller
from passage_cv.service.frames import ListedCamera, RealClock
from passage_cv.service.link import ModbusPlant
from passage_cv.service.log import GateLog
from passage_cv.service.machine import State
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.river import River

PACKAGE = "0123456789abcdef" * 4
VERDICT = Verdict(sequence=7, action=1, reason=1, age_limit_ms=1800, decided_at=1_935_000_000, latency_ms=42)


@pytest.fixture
def link() -> Link:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return Link(port=probe.getsockname()[1], heartbeat_timeout_s=0.5, confirm_s=0.5)


@pytest.fixture
def plant(link: Link) -> Iterator[ModbusPlant]:
    with ModbusPlant(link) as plant:
        yield plant


@pytest.fixture
def client(link: Link, plant: ModbusPlant) -> Iterator[ModbusTcpClient]:
    with ModbusTcpClient(link.host, port=link.port) as client:
        assert client.connect()
        yield client


def read(client: ModbusTcpClient, name: str, count: int | None = None) -> list[int]:
    one = BY_NAME[name]
    return list(client.read_holding_registers(one.address, count=count or one.words, device_id=1).registers)


def write(client: ModbusTcpClient, **values: int) -> None:
    for name, value in values.items():
        assert not client.write_registers(BY_NAME[name].address, [value], device_id=1).isError()


def test_the_beat_says_who_and_what(plant: ModbusPlant, client: ModbusTcpClient) -> None:
    plant.beat(State.READY, PACKAGE)
    assert decode_float32(*read(client, "test_pattern")) == pytest.approx(TEST_PATTERN, abs=5e-8)
    assert read(client, "package_id") == [0x0123, 0x4567]
    assert read(client, "package_crc") == [package_crc(PACKAGE)]
    assert read(client, "state") == [2]


def test_a_verdict_arrives_whole_and_its_position_is_read_back(plant: ModbusPlant, client: ModbusTcpClient) -> None:
    write(client, confirmed=1)
    assert plant.command(VERDICT, Position.PASS) is Position.PASS
    assert decode_verdict(read(client, "sequence", 9)) == VERDICT


def test_a_position_that_never_comes_is_what_stands_there(plant: ModbusPlant, client: ModbusTcpClient) -> None:
    write(client, confirmed=2)
    assert plant.command(VERDICT, Position.PASS) is Position.HOLD
    write(client, confirmed=9)
    assert plant.command(VERDICT, Position.PASS) is Position.UNKNOWN


def test_the_controller_cannot_write_what_is_ours(plant: ModbusPlant, client: ModbusTcpClient) -> None:
    plant.beat(State.READY, PACKAGE)
    for name in ("heartbeat", "package_crc", "action", "verdict_crc"):
        assert client.write_registers(BY_NAME[name].address, [1], device_id=1).isError()
    assert client.write_registers(BY_NAME["verdict_crc"].address, [1] * 30, device_id=1).isError()
    assert read(client, "action") == [0]


def test_before_anything_was_written_the_plant_is_off_and_stands_nobody_knows_where(
    plant: ModbusPlant, client: ModbusTcpClient
) -> None:
    said = plant.state()
    assert (said.is_alive, said.is_local, said.is_remote, said.is_automatic) == (False, False, False, False)
    assert said.position is Position.UNKNOWN
    assert decode_verdict(read(client, "sequence", 9)) is None


@pytest.mark.parametrize("switch", [0, 1, 2], ids=["off", "local", "remote"])
@pytest.mark.parametrize("operation", [0, 1, 2], ids=["maintenance", "manual", "automatic"])
def test_the_switches_of_the_plant_are_read_as_the_register_table_numbers_them(
    plant: ModbusPlant, client: ModbusTcpClient, switch: int, operation: int
) -> None:
    write(client, mode=switch, operation=operation)
    said = plant.state()
    assert (said.is_local, said.is_remote, said.is_automatic) == (switch == 1, switch == 2, operation == 2)


def test_a_heartbeat_that_stands_still_is_a_lost_link(plant: ModbusPlant, client: ModbusTcpClient) -> None:
    for beat in range(1, 4):
        write(client, controller_heartbeat=beat)
        assert plant.state().is_alive
    time.sleep(0.6)
    assert not plant.state().is_alive
    write(client, controller_heartbeat=9)
    assert plant.state().is_alive


def test_another_package_expected_is_seen(plant: ModbusPlant, client: ModbusTcpClient) -> None:
    plant.beat(State.READY, PACKAGE)
    write(client, package_crc_echo=package_crc(PACKAGE))
    assert plant.state().echoes_package
    write(client, package_crc_echo=1)
    assert not plant.state().echoes_package


def test_a_port_in_use_is_refused(plant: ModbusPlant, link: Link) -> None:
    with pytest.raises(InputError, match=f"Cannot listen on 127.0.0.1 port {link.port}"):
        ModbusPlant(link)


def libmodbus_flags() -> list[str]:
    if shutil.which("gcc") is None or not Path("/usr/include/modbus/modbus.h").is_file():
        return []
    return ["-I/usr/include/modbus", "-lmodbus"]


@pytest.mark.skipif(not libmodbus_flags(), reason="needs gcc and libmodbus-dev")
def test_a_client_in_c_runs_the_gate_and_triggers_each_fish(
    package: Path, keys: Path, link: Link, tmp_path: Path
) -> None:
    program = tmp_path / "client"
    source = Path(__file__).with_name("modbus_client.c")
    subprocess.run(["gcc", "-std=gnu99", str(source), "-o", str(program), *libmodbus_flags()], check=True)
    site = read_site(configs_folder() / "site" / "kettleback.toml")
    river, slow = River(), link.model_copy(update={"heartbeat_timeout_s": 5.0, "confirm_s": 5.0})
    site = site.model_copy(
        update={"setup_id": "demo-setup", "link": slow, "trigger": Trigger(source="modbus", window_s=30.0)}
    )
    with ModbusPlant(slow) as plant, GateLog(tmp_path / "gate.sqlite") as log:
        controller = Controller(package, site, log, plant, RealClock(), keys=keys)
        client = subprocess.Popen([str(program), str(link.port)], stdout=subprocess.PIPE, text=True)
        wait_until(lambda: plant.state().is_alive and plant.state().is_local)
        controller.start(by="TBO")
        swim(controller, plant, river, ("AMS", "NSH", "dull"))
        for _ in range(60):  # until it has heard the heartbeat go on twice
            controller.run(ListedCamera([*river.empty(2)], RealClock(), setup_id="demo-setup", frames_per_s=20))
            if client.poll() is not None:
                break
        out, _ = client.communicate(timeout=20)
        lines = list(log.lines())
    assert client.returncode == 0, out
    assert out.split() == ["1", "1", "1", "2", "3", "2", "3", "2", "3"]  # sequence, action, reason
    assert [(line.commanded, line.confirmed, line.hold_reason) for line in lines] == [
        (position, position, "") for position in ("pass", "reject", "hold")
    ]


def wait_until(is_so: Callable[[], bool], seconds: float = 10.0) -> None:
    until = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < until
        time.sleep(0.01)


def swim(controller: Controller, plant: ModbusPlant, river: River, fish: tuple[str, ...]) -> None:
    """Water until the client has the gate in remote mode; then each fish once the client has triggered it."""

    def show(pictures: list[bytes | None]) -> None:
        controller.run(ListedCamera(pictures, RealClock(), setup_id="demo-setup", frames_per_s=20))

    show([*river.empty(FIRST_FRAMES)])
    for number, code in enumerate(fish, start=1):
        while plant.state().trigger < number or not plant.state().is_remote:
            show([*river.empty(1)])
        show([*river.one(code)])
