"""The reference controller: right advice for fish, the line before the command, each picture decoded once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from passage_cv.gate.codes import ACTION_CODES
from passage_cv.gate.runtime import UNMEASURED
from passage_cv.records import Action
from passage_cv.service import frames as frames_module
from passage_cv.service.log import GateLog
from passage_cv.service.machine import State
from passage_cv.service.plant import Position
from tests.service.bench import Bench


def test_fish_get_their_positions(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    assert bench.state is State.READY
    for code in ("AMS", "NSH", "dull", "BOW"):
        bench.show([*bench.river.one(code)])
    assert bench.plant.positions == [Position.PASS, Position.REJECT, Position.HOLD, Position.PASS]
    assert [line.action.value for line in bench.lines] == ["pass", "reject", "hold", "pass"]
    assert all(line.live and line.commanded == line.confirmed for line in bench.lines)
    assert [verdict.action for verdict, _ in bench.plant.asked] == [ACTION_CODES[line.action] for line in bench.lines]
    assert [verdict.sequence for verdict, _ in bench.plant.asked] == [1, 2, 3, 4]


def test_two_fish_are_held(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.show([*bench.river.two(), *bench.river.empty(3)])
    assert [(line.action, line.hold_reason) for line in bench.lines] == [(Action.HOLD, "two fish in view")]


def test_a_damaged_frame_holds_its_fish(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    one, two, three = bench.river.fish("AMS")
    bench.show([one, two[: len(two) // 2], three, *bench.river.empty(3)])
    assert bench.plant.positions == [Position.HOLD]


def test_an_unknown_set_up_holds(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.show([*bench.river.one("AMS")], setup_id="new firmware")
    assert [(line.action, line.hold_reason) for line in bench.lines] == [(Action.HOLD, UNMEASURED)]


def test_the_line_is_on_disk_before_the_command(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    seen: list[tuple[int, str]] = []
    command = bench.plant.command

    def watched(*given: object) -> Position:
        with GateLog(bench.log.path) as other:
            seen.append((other.count(), next(other.lines()).confirmed))
        return command(*given)  # type: ignore[arg-type]

    bench.plant.command = watched  # type: ignore[method-assign,assignment]
    bench.show([*bench.river.one("AMS")])
    assert seen == [(1, "")]
    assert bench.lines[0].confirmed == "pass"


def test_each_picture_is_decoded_once(make_bench: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch) -> None:
    bench, decoded = make_bench(), []
    decode = frames_module.decode_view

    def counted(data: bytes, *, where: str) -> np.ndarray:
        decoded.append(data)
        return decode(data, where=where)

    monkeypatch.setattr(frames_module, "decode_view", counted)
    shown = bench.river.one("AMS")
    bench.show([*shown])
    assert bench.lines[0].action is Action.PASS
    assert len(decoded) == len(shown)
