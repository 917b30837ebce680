"""The Modbus end of the gate computer: a TCP server whose registers the plant's controller reads and writes.

The table is that of :mod:`passage_cv.gate.registers`. The controller cannot write what is ours; a heartbeat that
stands still is a lost link. There is no authentication in Modbus: keep it on a network of its own.
"""

from __future__ import annotations

import asyncio
import logging
import math
import threading
from collections.abc import Coroutine
from types import TracebackType
from typing import Any, Self, TypeVar

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from passage_cv.errors import InputError
from passage_cv.gate.registers import (
    BY_NAME,
    MAP_FORMAT,
    TABLE,
    TEST_PATTERN,
    Verdict,
    encode_float32,
    encode_uint32,
    package_crc,
)
from passage_cv.gate.site import Link
from passage_cv.service.frames import Clock, RealClock
from passage_cv.service.machine import STATE_CODES, State
from passage_cv.service.plant import POSITION_CODES, PlantState, Position

DEVICE = 1
READ, WRITE = 3, 16
LOCAL, REMOTE, AUTOMATIC = 1, 2, 2
FIRST_THEIRS = min(one.address for one in TABLE if one.written_by == "controller")
SIZE = max(one.address + one.words for one in TABLE)
CALL_S = 2.0
POLL_S = 0.01

T = TypeVar("T")


class ModbusPlant:
    """The plant as seen through the registers. Use it in a ``with`` block or call :meth:`close`.

    Raises
    ------
    InputError
        If the address cannot be listened on.
    """

    def __init__(self, link: Link, clock: Clock | None = None) -> None:
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # else it prints its last frames on the screen
        self.link, self.clock = link, clock or RealClock()
        self._own = False
        self._crc = 0
        self._beat_seen, self._beat_at = 0, -math.inf
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="modbus", daemon=True)
        self._thread.start()
        self._server = self._call(self._listen())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop listening; the controller sees the heartbeat stop and goes safe."""
        self._call(self._server.shutdown())  # type: ignore[no-untyped-call]  # the library's own
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(CALL_S)

    def state(self) -> PlantState:
        """What the controller's registers say, and whether its heartbeat still moves."""
        words = self._read(FIRST_THEIRS, SIZE - FIRST_THEIRS)
        said = {one.name: words[one.address - FIRST_THEIRS] for one in TABLE if one.address >= FIRST_THEIRS}
        now = self.clock.steady()
        if said["controller_heartbeat"] != self._beat_seen:
            self._beat_seen, self._beat_at = said["controller_heartbeat"], now
        return PlantState(
            is_alive=now - self._beat_at <= self.link.heartbeat_timeout_s,
            is_remote=said["mode"] == REMOTE,
            is_automatic=said["operation"] == AUTOMATIC,
            position=_position(said["confirmed"]),
            is_tank_full=said["tank_full"] != 0,
            echoes_package=said["package_crc_echo"] == self._crc,
            is_off=said["mode"] not in (LOCAL, REMOTE),
            trigger=said["trigger"],
            tank_min=said["tank_min"],
            air_s=said["air_ds"] / 10,
        )

    def beat(self, state: State, package_id: str) -> None:
        """Write heartbeat, table number, test pattern, package and state."""
        self._crc = package_crc(package_id) if package_id else 0
        words = [
            self._heartbeat(),
            MAP_FORMAT,
            *encode_float32(TEST_PATTERN),
            *encode_uint32(int(package_id[:8] or "0", 16)),
            self._crc,
            STATE_CODES[state],
        ]
        self._write(BY_NAME["heartbeat"].address, words)

    def command(self, verdict: Verdict, position: Position) -> Position:
        """Write a verdict in one piece and wait until the position is read back, or the time is up."""
        self._write(BY_NAME["sequence"].address, list(verdict.encode()))
        until = self.clock.steady() + self.link.confirm_s
        while self.clock.steady() < until:
            if self.state().position is position:
                return position
            self._write(BY_NAME["heartbeat"].address, [self._heartbeat()])
            self.clock.wait(POLL_S)
        return self.state().position

    def _heartbeat(self) -> int:
        return int(self.clock.steady()) & 0xFFFF

    async def _listen(self) -> ModbusTcpServer:
        at = BY_NAME["confirmed"].address  # until the controller says where the gate stands, nobody knows
        blank = [
            SimData(0, count=at, values=0, datatype=DataType.REGISTERS),
            SimData(at, values=POSITION_CODES[Position.UNKNOWN], datatype=DataType.REGISTERS),
            SimData(at + 1, count=SIZE - at - 1, values=0, datatype=DataType.REGISTERS),
        ]
        device = SimDevice(DEVICE, simdata=blank, action=self._guard)
        server = ModbusTcpServer(device, address=(self.link.host, self.link.port))
        try:
            await server.serve_forever(background=True)
        except RuntimeError as error:
            raise InputError(
                f"Cannot listen on {self.link.host} port {self.link.port}",
                where="site file, [link]",
                do="Free the port, or choose another; below 1024 needs administrator rights.",
            ) from error
        return server

    async def _guard(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Refuse a write by the other side into what is ours."""
        del function, start, count, registers
        ours = values is not None and address < FIRST_THEIRS
        return ExcCodes.ILLEGAL_ADDRESS if ours and not self._own else None

    def _read(self, address: int, count: int) -> list[int]:
        return [int(word) for word in self._call(self._server.async_getValues(DEVICE, READ, address, count))]

    def _write(self, address: int, words: list[int]) -> None:
        self._call(self._write_own(address, words))

    async def _write_own(self, address: int, words: list[int]) -> None:
        """Write our registers; nothing else runs on the loop between the two flags, for nothing here waits."""
        self._own = True
        try:
            await self._server.async_setValues(DEVICE, WRITE, address, words)
        finally:
            self._own = False

    def _call(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(CALL_S)


def _position(code: int) -> Position:
    known = {number: position for position, number in POSITION_CODES.items()}
    return known.get(code, Position.UNKNOWN)
