"""What people ask of a running gate: bypass, stop, local and manual mode, shadow, the end of a run."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from passage_cv.errors import InputError
from passage_cv.records import Action
from passage_cv.service.frames import ListedCamera
from passage_cv.service.log import GateLog
from passage_cv.service.machine import State
from passage_cv.service.orders import Order, write_order
from passage_cv.service.plant import Position
from tests.service.bench import SETUP, Bench


@pytest.mark.parametrize("change", [{"is_remote": False}, {"is_automatic": False}])
def test_in_local_and_manual_nothing_is_commanded(make_bench: Callable[..., Bench], change: dict[str, bool]) -> None:
    bench = make_bench()
    bench.plant.change(**change)
    bench.show([*bench.river.one("AMS")])
    assert bench.plant.positions == []
    assert [(line.action, line.live, line.commanded) for line in bench.lines] == [(Action.PASS, False, "")]


def test_a_shadow_logs_and_commands_nothing(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(shadow=True)
    bench.show([*bench.river.one("AMS"), *bench.river.one("NSH")])
    bench.clock.offset_s += 3600
    bench.show([*bench.river.one("AMS")])
    assert bench.plant.positions == []
    assert [line.action.value for line in bench.lines] == ["pass", "reject", "no decision"]


def test_a_bypass_has_a_name_a_reason_and_an_end(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    with pytest.raises(InputError, match="needs a name and a reason"):
        bench.controller.bypass(by="RKV", reason="", seconds=60)
    bench.controller.bypass(by="RKV", reason="debris", seconds=2.0)
    bench.show([*bench.river.one("AMS")])
    assert bench.state is State.BYPASS
    bench.show([*bench.river.empty(30)])
    assert bench.state is State.OFF
    bench.show([*bench.river.one("AMS")])
    assert bench.plant.positions == []
    assert [line.hold_reason for line in bench.lines] == ["bypassed by a person", "controller is off"]
    assert ("bypass", "debris, 2 s", "RKV") in [event[1:] for event in bench.log.events()]


def test_a_bypass_and_a_stop_are_ordered_through_the_log(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    with GateLog(bench.log.path) as other:
        write_order(other, Order("bypass", "RKV", "debris", 1.0), time="now")
        with pytest.raises(InputError, match="A bypass of 90000 s for debris"):
            write_order(other, Order("bypass", "RKV", "debris", 90_000.0), time="now")
        with pytest.raises(InputError, match="Nobody is named"):
            write_order(other, Order("stop", ""), time="now")
    bench.show([*bench.river.fish("AMS"), *bench.river.empty(3)])
    assert bench.state is State.BYPASS
    assert bench.plant.positions == []
    with GateLog(bench.log.path) as other:
        write_order(other, Order("stop", "RKV"), time="now")
    frames = iter(ListedCamera([*bench.river.one("AMS")], bench.clock, setup_id=SETUP))
    bench.controller.run(frames)
    assert len(list(frames)) == 5  # one was taken, with it the order


def test_the_end_asks_for_the_safe_position(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.show([*bench.river.one("AMS")])
    bench.controller.end(by="TBO")
    assert bench.plant.positions == [Position.PASS, Position.SAFE]
    assert bench.state is State.OFF
