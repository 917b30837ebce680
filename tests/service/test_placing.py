"""Where a held fish goes, per class and occasion; never through."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from passage_cv.gate.site import Held, HeldTable
from passage_cv.records import Action
from passage_cv.service.loading import note_tighten
from passage_cv.service.plant import Position
from tests.service.bench import Bench

TABLE = Held(
    normal=HeldTable({"default": "hold", "SNS": "safe position"}),
    tank_full=HeldTable({"default": "safe position", "NSH": "reject"}),
    stay_exceeded=HeldTable({"default": "reject", "NSH": "safe position"}),
    stay_max_min=60,
)


@pytest.mark.parametrize(
    ("said", "code", "position"),
    [
        ({}, "NSH", Position.HOLD),
        ({}, "SNS", Position.SAFE),
        ({"is_tank_full": True}, "NSH", Position.REJECT),
        ({"is_tank_full": True}, "AMS", Position.SAFE),
        ({"tank_min": 61}, "AMS", Position.REJECT),
        ({"tank_min": 61, "is_tank_full": True}, "NSH", Position.SAFE),
        ({"tank_min": 60}, "AMS", Position.HOLD),
    ],
)
def test_where_a_held_fish_goes_is_said_per_class_and_occasion(
    make_bench: Callable[..., Bench], said: dict[str, object], code: str, position: Position
) -> None:
    bench = make_bench(held=TABLE)
    bench.plant.change(**said)
    note_tighten(bench.log, u=-math.inf, v=math.inf, because="stricter by a person", time="now", by="ELQ")
    bench.show([*bench.river.one(code)])
    assert [(line.action, line.hold_reason) for line in bench.lines] == [(Action.HOLD, "stricter by a person")]
    assert bench.plant.positions == [position]


def test_a_hold_for_what_was_not_seen_well_goes_by_the_default(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(held=TABLE)
    bench.plant.change(is_tank_full=True)
    bench.show([*bench.river.two(), *bench.river.empty(3)])
    assert bench.plant.positions == [Position.SAFE]
