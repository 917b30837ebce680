"""The plant says that a fish comes: one trigger and one fish belong together."""

from __future__ import annotations

from collections.abc import Callable

from passage_cv.gate.site import Trigger
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.bench import Bench


def test_a_trigger_and_its_fish_are_one_presentation(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(trigger=Trigger(source="modbus", window_s=1.0))
    bench.plant.change(trigger=1)
    bench.show([*bench.river.one("AMS")])
    bench.show([*bench.river.one("AMS")])  # no trigger
    bench.plant.change(trigger=3)
    bench.show([*bench.river.one("AMS")])  # two triggers
    bench.plant.change(trigger=4)
    bench.show([*bench.river.empty(15)])  # no fish
    assert [line.hold_reason for line in bench.lines] == ["", "no trigger came", "two fish in view", "empty view"]
    assert bench.plant.positions == [Position.PASS, Position.HOLD, Position.HOLD, Position.HOLD]


def test_a_trigger_count_wraps(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(trigger=Trigger(source="modbus"), start=False)
    bench.plant.change(trigger=65535)
    bench.controller.start(by="TBO")
    bench.plant.change(is_remote=True)
    bench.show([*bench.river.empty(FIRST_FRAMES)])
    bench.plant.change(trigger=0)
    bench.show([*bench.river.one("AMS")])
    assert bench.plant.positions == [Position.PASS]
