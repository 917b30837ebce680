"""A fault passes nothing, asks for the safe position, and only a person starts again."""

from __future__ import annotations

import resource
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from passage_cv.errors import InputError
from passage_cv.records import Action
from passage_cv.service.controller import Controller
from passage_cv.service.frames import Frame
from passage_cv.service.keeping import pictures_folder
from passage_cv.service.machine import Fault, State
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.bench import SETUP, Bench, make_site


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


@contextmanager
def full_disk() -> Iterator[None]:
    """The system lets no file grow beyond a page."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_passes_nothing_and_loses_no_line_that_was_acted_on(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.show([*bench.river.one("AMS")])
    with full_disk():
        bench.show([*bench.river.one("AMS"), *bench.river.one("BOW")])
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


def test_pictures_that_cannot_be_written_are_a_fault(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    pictures_folder(bench.log.path).write_text("a file where the folder should be")
    bench.show([*bench.river.one("AMS")])
    assert (bench.state, bench.controller.machine.fault) == (State.FAULT, Fault.LOG)
    assert bench.plant.positions == [Position.SAFE]


def test_after_a_lost_line_and_a_restart_every_number_is_new(make_bench: Callable[..., Bench], keys: Path) -> None:
    bench = make_bench()
    bench.show([*bench.river.one("AMS")])
    with full_disk():
        bench.show([*bench.river.one("AMS")])  # its number 2 is sent with the safe position, no line has it
    bench.show([*bench.river.one("AMS")])  # no decision, but a line: number 3 of two lines
    bench.controller.reset(by="RKV")
    bench.plant.change(is_remote=False, position=Position.SAFE)
    bench.controller = Controller(bench.package, make_site(), bench.log, bench.plant, bench.clock, keys=keys)
    bench.controller.start(by="RKV")
    bench.plant.change(is_remote=True)
    bench.show([*bench.river.empty(FIRST_FRAMES), *bench.river.one("AMS")])
    assert [line.presentation_id[-1] for line in bench.lines] == ["1", "3", "5"]
    assert [verdict.sequence for verdict, _ in bench.plant.asked] == [1, 2, 5]
    assert bench.plant.positions == [Position.PASS, Position.SAFE, Position.PASS]
