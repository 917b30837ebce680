"""An audit alarm holds at once what it concerns, and says so."""

from __future__ import annotations

from collections.abc import Callable

from passage_cv.gate.site import Audit
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.bench import Bench


def test_a_standing_audit_alarm_closes_the_pass(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(audit=Audit(share=1.0), start=False)
    bench.controller.start(by="TBO")
    bench.plant.change(is_remote=True)
    bench.show([*bench.river.empty(FIRST_FRAMES), *(data for _ in range(12) for data in bench.river.one("AMS"))])
    assert bench.plant.positions == [Position.PASS] * 12
    for line in bench.lines:
        bench.log.add_audit(line.presentation_id, time="now", label="NSH", by="ELQ")  # it passed snakeheads
    bench.controller.reset(by="ELQ")
    bench.plant.change(is_remote=False, position=Position.SAFE)
    bench.controller.start(by="ELQ")
    bench.plant.change(is_remote=True)
    bench.show([*bench.river.empty(FIRST_FRAMES), *bench.river.one("AMS")])
    assert bench.plant.positions[12:] == [Position.HOLD]
    assert [line.hold_reason for line in bench.lines[12:]] == ["audit alarm"]


def test_an_audit_alarm_holds_at_once_while_the_gate_runs(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(audit=Audit(share=1.0))
    bench.show([data for _ in range(12) for data in bench.river.one("AMS")])
    for line in bench.lines:
        bench.log.add_audit(line.presentation_id, time="now", label="NSH", by="ELQ")
    bench.show([*bench.river.one("AMS"), *bench.river.one("NSH")])
    assert bench.plant.positions[12:] == [Position.HOLD, Position.REJECT]
    assert [line.hold_reason for line in bench.lines[12:]] == ["audit alarm", ""]
    assert ("tighten", "NSH (miss)") in [(kind, by) for _, kind, _, by in bench.log.events()]


def test_an_alarm_in_shadow_holds_and_tightens_no_other_package(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(audit=Audit(share=1.0), shadow=True)
    bench.show([data for _ in range(12) for data in bench.river.one("AMS")])
    for line in bench.lines:
        bench.log.add_audit(line.presentation_id, time="now", label="NSH", by="ELQ")
    bench.show([*bench.river.one("AMS")])
    assert [line.hold_reason for line in bench.lines[12:]] == ["audit alarm"]
    assert "tighten" not in [kind for _, kind, _, _ in bench.log.events()]
