"""The reference controller: right advice for fish, and no fault that lets one pass."""

from __future__ import annotations

import math
import resource
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from passage_cv.config import configs_folder
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.gate.codes import ACTION_CODES
from passage_cv.gate.runtime import UNMEASURED
from passage_cv.gate.site import Audit, Held, HeldTable, Pictures, Site, Trigger, read_site
from passage_cv.records import Action
from passage_cv.service import frames as frames_module
from passage_cv.service.controller import Controller
from passage_cv.service.frames import Frame, ListedCamera, SimulatedClock
from passage_cv.service.keeping import pictures_folder
from passage_cv.service.loading import note_tighten
from passage_cv.service.log import GateLog, LogLine
from passage_cv.service.machine import Fault, State
from passage_cv.service.orders import Order, write_order
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.river import River, SimulatedPlant, make_clock

SETUP = "demo-setup"


def make_site(**changes: object) -> Site:
    return read_site(configs_folder() / "site" / "kettleback.toml").model_copy(update={"setup_id": SETUP, **changes})


@dataclass
class Bench:
    """A controller on the bench, ready for fish."""

    controller: Controller
    plant: SimulatedPlant
    clock: SimulatedClock
    log: GateLog
    river: River
    package: Path

    def show(self, pictures: list[bytes | None], *, setup_id: str = SETUP) -> None:
        self.controller.run(ListedCamera(pictures, self.clock, setup_id=setup_id))

    @property
    def lines(self) -> list[LogLine]:
        return list(self.log.lines())

    @property
    def state(self) -> State:
        return self.controller.machine.state


@pytest.fixture
def make_bench(package: Path, keys: Path, tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    logs: list[GateLog] = []

    def make(*, shadow: bool = False, start: bool = True, **site: object) -> Bench:
        own = Path(shutil.copytree(package, tmp_path / f"package-{len(logs)}"))
        log = GateLog(tmp_path / f"gate-{len(logs)}.sqlite")
        logs.append(log)
        plant, clock, river = SimulatedPlant(), make_clock(), River()
        bench = Bench(Controller(own, make_site(**site), log, plant, clock, keys=keys), plant, clock, log, river, own)
        if start:
            bench.controller.start(by="TBO", shadow=shadow)
            plant.change(is_remote=True)
            bench.show(list(river.empty(FIRST_FRAMES)))
        return bench

    yield make
    for log in logs:
        log.close()


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


# Faults: each is caused, and nothing passes during it or after it.


def stall(bench: Bench) -> None:
    bench.show([None] * 25)


def freeze(bench: Bench) -> None:
    bench.show(bench.river.empty(1) * 6)


def jump(bench: Bench) -> None:
    bench.clock.offset_s += 3600


def damage(bench: Bench) -> None:
    path = bench.package / "model.onnx"
    path.write_bytes(path.read_bytes()[:-1] + b"x")


def swap(bench: Bench) -> None:
    shutil.rmtree(bench.package)


def lose_link(bench: Bench) -> None:
    bench.plant.change(is_alive=False)


def close_log(bench: Bench) -> None:
    bench.log.close()


CAUSES: dict[str, tuple[Callable[[Bench], None], Fault]] = {
    "camera stall": (stall, Fault.CAMERA_STALLED),
    "frozen picture": (freeze, Fault.PICTURE_FROZEN),
    "clock jump": (jump, Fault.CLOCK),
    "damaged package": (damage, Fault.PACKAGE),
    "package gone": (swap, Fault.PACKAGE),
    "link lost": (lose_link, Fault.LINK),
    "log closed": (close_log, Fault.LOG),
}


@pytest.mark.parametrize("cause", CAUSES)
def test_a_fault_passes_nothing_and_asks_for_the_safe_position(make_bench: Callable[..., Bench], cause: str) -> None:
    bench = make_bench()
    break_it, fault = CAUSES[cause]
    bench.show([*bench.river.one("AMS")])
    assert bench.plant.positions == [Position.PASS]
    break_it(bench)
    for _ in range(3):
        bench.show([*bench.river.one("AMS")])
    assert (bench.state, bench.controller.machine.fault) == (State.FAULT, fault)
    assert bench.plant.positions == [Position.PASS, Position.SAFE]
    if cause != "log closed":
        assert {line.action for line in bench.lines[1:]} == {Action.NO_DECISION}
        assert {line.hold_reason for line in bench.lines[1:]} == {fault.value}
        assert [kind for _, kind, _, _ in bench.log.events()].count("fault") == 1


def test_a_full_disk_passes_nothing_and_loses_no_line_that_was_acted_on(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.show([*bench.river.one("AMS")])
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))  # the system lets no file grow beyond a page
    try:
        bench.show([*bench.river.one("AMS"), *bench.river.one("BOW")])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (bench.state, bench.controller.machine.fault) == (State.FAULT, Fault.LOG)
    assert bench.plant.positions == [Position.PASS, Position.SAFE]
    assert [line.action for line in bench.lines] == [Action.PASS]


def test_a_fault_ends_only_by_a_persons_reset_and_a_new_start(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    lose_link(bench)
    bench.show([*bench.river.empty(2)])
    bench.plant.change(is_alive=True)  # the link is back
    bench.show([*bench.river.one("AMS")])
    assert bench.state is State.FAULT
    bench.controller.reset(by="RKV")
    with pytest.raises(InputError, match="Packages load only in local mode"):
        bench.controller.start(by="RKV")
    bench.plant.change(is_remote=False)
    bench.controller.start(by="RKV")
    assert bench.state is State.SELF_TEST
    bench.plant.change(is_remote=True)
    bench.show([*bench.river.empty(FIRST_FRAMES), *bench.river.one("AMS")])
    assert bench.plant.positions == [Position.SAFE, Position.PASS]
    assert [(kind, by) for _, kind, _, by in bench.log.events() if by] == [
        ("start", "TBO"),
        ("load", "TBO"),
        ("reset", "RKV"),
        ("start", "RKV"),
    ]


def test_a_position_that_is_not_confirmed_is_a_fault(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.plant.stuck = True
    bench.show([*bench.river.one("NSH"), *bench.river.one("AMS")])
    assert (bench.state, bench.controller.machine.fault) == (State.FAULT, Fault.POSITION)
    assert bench.plant.positions == [Position.REJECT, Position.SAFE]


def test_a_link_that_breaks_in_the_command_is_a_fault(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.plant.broken = True
    bench.show([*bench.river.one("AMS"), *bench.river.one("AMS")])
    assert bench.controller.machine.fault is Fault.LINK
    assert bench.plant.positions == []
    assert [line.action for line in bench.lines] == [Action.PASS, Action.NO_DECISION]


def test_a_missed_deadline_is_no_decision_for_that_fish_alone(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    fish = bench.river.fish("AMS")
    for data in fish:
        bench.controller.take(Frame("f", data, bench.clock.steady(), SETUP))
        bench.clock.wait(0.1)
    bench.clock.wait(1.9)  # 1.8 s are left between camera and gate; below the camera's stall limit
    for data in bench.river.empty(3):
        bench.controller.take(Frame("e", data, bench.clock.steady(), SETUP))
        bench.clock.wait(0.01)
    assert bench.plant.positions == [Position.SAFE]
    assert bench.lines[0].hold_reason == "deadline missed"
    bench.show([*bench.river.one("AMS")])
    assert bench.plant.positions == [Position.SAFE, Position.PASS]


class BrokenModel:
    def __init__(self, answer: np.ndarray | None) -> None:
        self.answer = answer

    def logits(self, crops: np.ndarray) -> np.ndarray:
        if self.answer is None:
            raise RuntimeError("out of memory")
        return np.repeat(self.answer, len(crops), axis=0)


@pytest.mark.parametrize(
    ("answer", "action", "position"),
    [
        (None, Action.NO_DECISION, Position.SAFE),
        (np.full((1, 5), np.nan, np.float32), Action.HOLD, Position.HOLD),
        (np.full((1, 4), 0, np.float32), Action.NO_DECISION, Position.SAFE),
    ],
)
def test_a_broken_model_passes_nothing(
    make_bench: Callable[..., Bench], answer: np.ndarray | None, action: Action, position: Position
) -> None:
    bench = make_bench()
    assert bench.controller.packages is not None
    gate = bench.controller.packages.at(bench.clock.now()).gate
    object.__setattr__(gate, "model", BrokenModel(answer))
    bench.show([*bench.river.one("AMS")])
    assert [line.action for line in bench.lines] == [action]
    assert bench.plant.positions == [position]


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
    jump(bench)
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


def test_power_on_commands_nothing(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(start=False)
    bench.plant.change(is_remote=True)
    bench.show([*bench.river.empty(FIRST_FRAMES), *bench.river.one("AMS")])
    assert bench.state is State.OFF
    assert bench.plant.positions == []
    assert {state for state, _ in bench.plant.beats} == {State.OFF}


def test_fish_during_the_self_test_are_not_decided(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(start=False)
    bench.controller.start(by="TBO")
    bench.plant.change(is_remote=True)
    bench.show([*bench.river.fish("AMS", 4)])
    assert bench.state is State.SELF_TEST
    assert bench.plant.positions == []


@pytest.mark.parametrize("change", ["damaged", "another site", "reference", "unsigned"])
def test_a_package_that_fails_the_self_test_never_works(
    make_bench: Callable[..., Bench], tmp_path: Path, change: str
) -> None:
    bench = make_bench(start=False)
    controller = bench.controller
    if change == "damaged":
        damage(bench)
    elif change == "another site":
        controller.site = make_site(site="LTB-HOL-02")
    elif change == "unsigned":
        controller.keys = tmp_path
    else:
        path = bench.package / "reference" / "logits.csv"
        path.write_text(path.read_text().replace(",pass,", ",hold,", 1), newline="")
    controller.start(by="TBO")
    bench.plant.change(is_remote=True)
    bench.show([*bench.river.empty(FIRST_FRAMES), *bench.river.one("AMS")])
    assert (bench.state, controller.machine.fault) == (State.FAULT, Fault.SELF_TEST)
    assert bench.plant.positions == []


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


def test_pictures_lie_beside_the_log_before_the_command(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.show([*bench.river.one("AMS")])
    (line,) = bench.lines
    kept = [(bench.log.path.parent / path).read_bytes() for path in line.image_paths]
    assert len(kept) == 3
    assert tuple(sha256_bytes(data) for data in kept) == line.image_sha256s
    again = bench.controller.packages.at(bench.clock.now()).gate.decide(kept)  # type: ignore[union-attr]
    assert (again.action, again.score) == (line.action, line.score)


def test_a_site_may_keep_only_what_somebody_looks_at(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(pictures=Pictures(keep="held and audited"), audit=Audit(share=0.0))
    bench.show([*bench.river.one("AMS"), *bench.river.one("dull")])
    there = [(bench.log.path.parent / line.image_paths[0]).is_file() for line in bench.lines]
    assert there == [False, True]
    assert all(len(line.image_sha256s) == 3 for line in bench.lines)


def test_pictures_that_cannot_be_written_are_a_fault(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    pictures_folder(bench.log.path).write_text("a file where the folder should be")
    bench.show([*bench.river.one("AMS")])
    assert (bench.state, bench.controller.machine.fault) == (State.FAULT, Fault.LOG)
    assert bench.plant.positions == [Position.SAFE]


# Triggers


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


# Orders of other processes, through the log


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


def test_an_alarm_in_shadow_holds_and_tightens_no_other_package(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(audit=Audit(share=1.0), shadow=True)
    bench.show([data for _ in range(12) for data in bench.river.one("AMS")])
    for line in bench.lines:
        bench.log.add_audit(line.presentation_id, time="now", label="NSH", by="ELQ")
    bench.show([*bench.river.one("AMS")])
    assert [line.hold_reason for line in bench.lines[12:]] == ["audit alarm"]
    assert "tighten" not in [kind for _, kind, _, _ in bench.log.events()]
