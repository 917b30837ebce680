"""Registers: in range or refused, a torn or unwritten verdict is no verdict, the table does not overlap."""

from __future__ import annotations

import csv
import io
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.gate.codes import ACTION_CODES, OTHER_HOLD, REASON_CODES, reason_code
from passage_cv.gate.registers import (
    BY_NAME,
    MOST_READ,
    TABLE,
    TEST_PATTERN,
    VERDICT,
    Verdict,
    decode_float32,
    decode_uint32,
    decode_verdict,
    encode_float32,
    encode_signed,
    encode_uint32,
    encode_unsigned,
    package_crc,
    render_register_table,
)
from passage_cv.records import Action

VERDICTS = st.builds(
    Verdict,
    sequence=st.integers(0, 2**32 - 1),
    action=st.integers(0, 3),
    reason=st.integers(0, 65535),
    age_limit_ms=st.integers(0, 65535),
    decided_at=st.integers(0, 2**32 - 1),
    latency_ms=st.integers(0, 65535),
)


@pytest.mark.parametrize("value", [-1, 65536, 65535.5, math.nan, math.inf, -math.inf])
def test_what_does_not_fit_an_unsigned_register_is_refused(value: float) -> None:
    with pytest.raises(InputError, match="a register takes 0 to 65535"):
        encode_unsigned(value)


@pytest.mark.parametrize("value", [-32769, 32768, math.nan])
def test_what_does_not_fit_a_signed_register_is_refused(value: float) -> None:
    with pytest.raises(InputError, match="a register takes -32768 to 32767"):
        encode_signed(value)


def test_a_float_beyond_float32_is_refused() -> None:
    with pytest.raises(InputError, match="does not fit a 32-bit float"):
        encode_float32(1e39)


@given(st.integers(0, 2**32 - 1))
def test_uint32_comes_back(value: int) -> None:
    assert decode_uint32(*encode_uint32(value)) == value


@given(st.floats(width=32, allow_nan=False))
def test_float32_comes_back(value: float) -> None:
    assert decode_float32(*encode_float32(value)) == value


@given(VERDICTS)
def test_a_verdict_comes_back(verdict: Verdict) -> None:
    words = verdict.encode()
    assert len(words) == len(VERDICT) + 1
    assert decode_verdict(words) == verdict


@given(VERDICTS, VERDICTS, st.integers(1, 8))
def test_a_torn_verdict_is_none(one: Verdict, other: Verdict, cut: int) -> None:
    torn = (*one.encode()[:cut], *other.encode()[cut:])
    if torn not in (one.encode(), other.encode()):
        found = decode_verdict(torn)
        assert found is None or found.encode() == torn  # 1 in 65536 tears keeps a matching check sum


def test_registers_never_written_are_no_verdict() -> None:
    assert decode_verdict([0] * 9) is None
    assert decode_verdict([]) is None


def test_a_slow_decision_stands_at_the_end_of_the_register() -> None:
    assert decode_verdict(Verdict(1, 2, 3, 500, 0, 70_000).encode()) == Verdict(1, 2, 3, 500, 0, 65_535)


def test_no_two_registers_overlap_and_one_request_reads_all() -> None:
    taken = [one.address + word for one in TABLE for word in range(one.words)]
    assert len(taken) == len(set(taken))
    assert max(taken) < MOST_READ
    assert [a for one in TABLE if BY_NAME["sequence"].address <= one.address < BY_NAME["verdict_crc"].address
            for a in range(one.address, one.address + one.words)] == list(VERDICT)  # fmt: skip


def test_the_table_in_a_package_is_the_table() -> None:
    rows = list(csv.DictReader(io.StringIO(render_register_table().decode())))
    assert [row["name"] for row in rows] == [one.name for one in TABLE]
    assert all(int(row["documented_as"]) == int(row["address"]) + 40001 for row in rows)
    assert not any("cutoff" in row["name"] for row in rows)


def test_the_test_pattern_reads_back() -> None:
    assert decode_float32(*encode_float32(TEST_PATTERN)) == pytest.approx(TEST_PATTERN, abs=5e-8)


def test_package_check_sums_differ_for_every_changed_digit() -> None:
    whole = "0123456789abcdef" * 4
    changed = {whole[:i] + format(int(whole[i], 16) ^ 1, "x") + whole[i + 1 :] for i in range(64)}
    assert package_crc(whole) not in {package_crc(one) for one in changed}


def test_zero_is_no_decision_and_codes_are_unique() -> None:
    assert ACTION_CODES[Action.NO_DECISION] == 0
    assert sorted(ACTION_CODES.values()) == [0, 1, 2, 3]
    assert len(set(REASON_CODES.values())) == len(REASON_CODES)
    assert OTHER_HOLD not in REASON_CODES.values()


def test_reasons_have_numbers() -> None:
    assert reason_code("hold rule", "two fish in view") == 15
    assert reason_code("hold rule", "Picture cannot be opened: gone") == OTHER_HOLD
    assert reason_code("fault", "deadline missed") == 31
    assert reason_code("fault", "model: broken") == 30
