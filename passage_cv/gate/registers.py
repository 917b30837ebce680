"""The Modbus register table of a gate, and the few encodings it needs.

Holding registers are unsigned 16-bit numbers; function 03 reads them, 16 writes them. The gate computer
advises: action, reason, sequence, age, package, heartbeat, with a check sum over what belongs together. Cutoffs
never travel. Everything on the wire is a number in range or a refusal; nothing is cut off silently.
"""

from __future__ import annotations

import csv
import io
import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from passage_cv.errors import InputError

MAP_FORMAT = 2
"""1: first table. 2: registers 48 and 49, and 46 stands at "unknown" until the controller writes it."""
MOST_READ, MOST_WRITTEN = 125, 123
"""Registers in one request, function 03 and function 16 [Modbus application protocol V1.1b3]."""
TEST_PATTERN = 0.9873
"""Written as a float32 so that a controller's word order can be checked before anything is believed."""
PUBLIC_BASE = 40001


@dataclass(frozen=True, slots=True)
class Register:
    """One value of the table; ``address`` is what travels (from 0), documentation often counts from 40001."""

    address: int
    name: str
    kind: Literal["uint16", "uint32", "float32"]
    unit: str
    written_by: Literal["gate computer", "controller"]
    meaning: str

    @property
    def words(self) -> int:
        """16-bit registers it takes."""
        return 1 if self.kind == "uint16" else 2


def _table() -> tuple[Register, ...]:
    gate, plant = "gate computer", "controller"
    rows: tuple[tuple[int, str, str, str, str, str], ...] = (
        (0, "heartbeat", "uint16", "", gate, "counts up once a second and wraps; go safe after 3 missed beats"),
        (1, "map_format", "uint16", "", gate, f"number of this table, {MAP_FORMAT}"),
        (2, "test_pattern", "float32", "", gate, f"always {TEST_PATTERN}, high word first: check the word order"),
        (4, "package_id", "uint32", "", gate, "first 8 hex digits of the package id"),
        (6, "package_crc", "uint16", "", gate, "CRC-16/MODBUS of the whole package id; the controller echoes it"),
        (7, "state", "uint16", "", gate, "0 off, 1 self-test, 2 ready, 3 shadow, 4 fault, 5 bypass"),
        (10, "sequence", "uint32", "", gate, "number of the presentation; the verdict below belongs to it"),
        (12, "action", "uint16", "", gate, "0 no decision, 1 pass, 2 hold, 3 reject; anything else is no decision"),
        (13, "reason", "uint16", "", gate, "reason code, see engineer.html"),
        (14, "age_limit_ms", "uint16", "ms", gate, "a verdict older than this is no verdict"),
        (15, "decided_at", "uint32", "s", gate, "seconds since 1970-01-01 UTC"),
        (17, "latency_ms", "uint16", "ms", gate, "from the last picture to the action"),
        (
            18,
            "verdict_crc",
            "uint16",
            "",
            gate,
            "CRC-16/MODBUS of registers 10 to 17, high bytes first; no match: no verdict",
        ),
        (40, "controller_heartbeat", "uint16", "", plant, "counts up once a second and wraps"),
        (41, "trigger", "uint16", "", plant, "counts up for each presentation"),
        (42, "package_crc_echo", "uint16", "", plant, "package_crc as read; a mismatch keeps the old package"),
        (43, "mode", "uint16", "", plant, "0 off, 1 local, 2 remote"),
        (44, "operation", "uint16", "", plant, "0 maintenance, 1 manual, 2 automatic"),
        (45, "commanded", "uint16", "", plant, "position asked for: 0 safe, 1 pass, 2 hold, 3 reject"),
        (46, "confirmed", "uint16", "", plant, "position read back: 0 safe, 1 pass, 2 hold, 3 reject, 65535 unknown"),
        (47, "tank_full", "uint16", "", plant, "1 while the holding tank takes no more fish"),
        (
            48,
            "tank_min",
            "uint16",
            "min",
            plant,
            "how long the oldest fish has been in the holding tank; 0 while empty",
        ),
        (49, "air_ds", "uint16", "0.1 s", plant, "how long the last fish was out of water"),
    )
    return tuple(Register(*row) for row in rows)  # type: ignore[arg-type]  # literal words of this module


TABLE = _table()
BY_NAME = {register.name: register for register in TABLE}
VERDICT = range(10, 18)
"""Addresses under the verdict's check sum."""


def render_register_table() -> bytes:
    """The table as CSV, as it lies in a package."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(["address", "documented_as", "words", "name", "type", "unit", "written_by", "meaning"])
    for one in TABLE:
        writer.writerow(
            [
                one.address,
                PUBLIC_BASE + one.address,
                one.words,
                one.name,
                one.kind,
                one.unit,
                one.written_by,
                one.meaning,
            ]
        )
    return stream.getvalue().encode()


def encode_unsigned(value: float, *, scale: float = 1.0) -> int:
    """A scaled value as one unsigned register, rounded to nearest.

    Raises
    ------
    InputError
        If it is no number or does not fit 0 to 65535.

    Examples
    --------
    >>> encode_unsigned(0.9873, scale=10000)
    9873
    """
    return _whole(value, scale, 0, 0xFFFF)


def encode_signed(value: float, *, scale: float = 1.0) -> int:
    """A scaled value as one register in two's complement, rounded to nearest.

    Raises
    ------
    InputError
        If it is no number or does not fit -32768 to 32767.

    Examples
    --------
    >>> encode_signed(-12.5, scale=10)
    65411
    """
    return _whole(value, scale, -0x8000, 0x7FFF) & 0xFFFF


def encode_uint32(value: int) -> tuple[int, int]:
    """A 32-bit number as two registers, high word first.

    Examples
    --------
    >>> encode_uint32(0x12345678) == (0x1234, 0x5678)
    True
    """
    whole = _whole(value, 1, 0, 0xFFFFFFFF)
    return whole >> 16, whole & 0xFFFF


def decode_uint32(high: int, low: int) -> int:
    """The number that :func:`encode_uint32` wrote."""
    return high << 16 | low


def encode_float32(value: float) -> tuple[int, int]:
    """A float32 as two registers, high word first (IEEE 754, big-endian).

    Raises
    ------
    InputError
        If the value does not fit a float32.

    Examples
    --------
    >>> encode_float32(0.9873)
    (16252, 49073)
    """
    try:
        high, low = struct.unpack(">HH", struct.pack(">f", value))
    except OverflowError as error:
        raise InputError(f"{value!r} does not fit a 32-bit float", do="Give a smaller number.") from error
    return int(high), int(low)


def decode_float32(high: int, low: int) -> float:
    """The float32 in two registers, high word first."""
    (value,) = struct.unpack(">f", struct.pack(">HH", high, low))
    return float(value)


def crc16_modbus(data: Iterable[int]) -> int:
    """CRC-16/MODBUS of some bytes: polynomial 0xA001 reflected, start 0xFFFF.

    On a serial line it is sent low byte first; in a register of this table it stands as a number.

    Examples
    --------
    >>> hex(crc16_modbus(b"123456789"))  # check value of the CRC catalogue
    '0x4b37'
    """
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def registers_crc(values: Sequence[int]) -> int:
    """CRC-16/MODBUS of registers, each as high byte, low byte."""
    return crc16_modbus(struct.pack(f">{len(values)}H", *values))


@dataclass(frozen=True, slots=True)
class Verdict:
    """One decision as it stands in the registers 10 to 18."""

    sequence: int
    action: int
    reason: int
    age_limit_ms: int
    decided_at: int
    latency_ms: int

    def encode(self) -> tuple[int, ...]:
        """Registers 10 to 18, the check sum last; a latency too long for the register stands as 65535.

        Raises
        ------
        InputError
            If another number does not fit its register.
        """
        words = (
            *encode_uint32(self.sequence & 0xFFFFFFFF),
            encode_unsigned(self.action),
            encode_unsigned(self.reason),
            encode_unsigned(self.age_limit_ms),
            *encode_uint32(self.decided_at),
            encode_unsigned(min(self.latency_ms, 0xFFFF)),
        )
        return (*words, registers_crc(words))


def decode_verdict(words: Sequence[int]) -> Verdict | None:
    """The verdict in registers 10 to 18, or None where the check sum says it was torn or never written."""
    if len(words) != len(VERDICT) + 1 or registers_crc(words[:-1]) != words[-1]:
        return None
    return Verdict(
        sequence=decode_uint32(words[0], words[1]),
        action=words[2],
        reason=words[3],
        age_limit_ms=words[4],
        decided_at=decode_uint32(words[5], words[6]),
        latency_ms=words[7],
    )


def package_crc(package_id: str) -> int:
    """Check sum of a package id, for the controller's echo."""
    return crc16_modbus(bytes.fromhex(package_id))


def _whole(value: float, scale: float, low: int, high: int) -> int:
    scaled = value * scale
    if not math.isfinite(scaled) or not low <= round(scaled) <= high:
        raise InputError(
            f"{value!r} times {scale:g} is {scaled:g}, a register takes {low} to {high}",
            do="Choose another scale.",
        )
    return round(scaled)
