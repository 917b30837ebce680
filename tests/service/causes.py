"""What a gate can suffer: each fault caused for real, what latches, and what the gate may be asked meanwhile.

A person mends the cause afterwards (``mend``); that alone never brings a gate back to work.
"""

from __future__ import annotations

import resource
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest
from onnx import TensorProto, helper, numpy_helper

from passage_cv.errors import InputError
from passage_cv.recognition.model import GateModel
from passage_cv.service.machine import Fault, State
from passage_cv.service.plant import Position
from tests.gate_world import SIZE, WEIGHTS, write_model

if TYPE_CHECKING:
    from tests.service.chaos import Chaos

PAGE = 4096
AFTER_THE_FISH = 3
"""Frames of a fish; a fault may strike before any of them."""


@dataclass(frozen=True)
class Cause:
    """One kind of fault.

    ``asked`` is all that the gate may be asked between cause and repair: nothing but the safe position where a fault
    latches. ``fault`` is what latches, None where the fault concerns one fish alone. ``lines`` are due of the fish
    shown during it; a log that cannot be written and a computer without power write none. ``moment`` is the number of
    the fish's frames before it, None for any.
    """

    strike: Callable[[Chaos], None]
    asked: tuple[Position, ...]
    fault: Fault | None = None
    fish: tuple[str, ...] = ("AMS",)
    lines: int = 1
    moment: int | None = None
    is_power: bool = False


def stall(chaos: Chaos) -> None:
    chaos.show([None] * 25)


def freeze(chaos: Chaos) -> None:
    chaos.show([chaos.last] * 6)


def jump(chaos: Chaos) -> None:
    chaos.clock.offset_s += float(chaos.rng.choice([-7200, 30, 86400]))


def damage(chaos: Chaos) -> None:
    path = chaos.package / str(chaos.rng.choice(["model.onnx", "cutoffs.json", "policy.toml", "manifest.json"]))
    path.write_bytes(path.read_bytes()[:-1])


def swap(chaos: Chaos) -> None:
    """Another model in the folder, under which every class is its opposite."""
    write_model(chaos.package / "model.onnx", weights=-WEIGHTS)


def remove(chaos: Chaos) -> None:
    shutil.rmtree(chaos.package)


def cut_the_link(chaos: Chaos) -> None:
    chaos.plant.change(is_alive=False)


def break_the_link(chaos: Chaos) -> None:
    chaos.plant.broken = True


def jam(chaos: Chaos) -> None:
    chaos.plant.stuck = True


def fill_the_disk(chaos: Chaos) -> None:
    """From now on the system lets no file grow beyond a page."""
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (PAGE, limits[1]))
    chaos.repairs.append(lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limits))


def lock_the_log(chaos: Chaos) -> None:
    other = sqlite3.connect(chaos.log.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    chaos.repairs.append(other.close)


def break_the_model(chaos: Chaos) -> None:
    """ONNX Runtime fails at every call: no number of crops fills rows of seven."""
    nodes = [
        helper.make_node("Cast", ["crops"], ["pixels"], to=TensorProto.FLOAT),
        helper.make_node("Reshape", ["pixels", "rows"], ["logits"]),
    ]
    graph = helper.make_graph(
        nodes,
        "fails",
        [helper.make_tensor_value_info("crops", TensorProto.UINT8, ["n", SIZE, SIZE, 3])],
        [helper.make_tensor_value_info("logits", TensorProto.FLOAT, ["m", 7])],
        [numpy_helper.from_array(np.array([-1, 7], dtype=np.int64), "rows")],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 20)], ir_version=10)
    exchange(chaos, "model", GateModel(model.SerializeToString()))


def give_no_number(chaos: Chaos) -> None:
    path = chaos.folder / "nan.onnx"
    write_model(path, weights=np.full_like(WEIGHTS, np.nan))
    exchange(chaos, "model", GateModel(path))


def exchange(chaos: Chaos, name: str, value: object) -> None:
    """Put something else into the loaded package until it is mended."""
    gate = chaos.gate()
    before = getattr(gate, name)
    object.__setattr__(gate, name, value)
    chaos.repairs.append(lambda: object.__setattr__(gate, name, before))


def be_late(chaos: Chaos) -> None:
    """The frames after the fish come when it has reached the gate, but before a camera counts as stalled."""
    chaos.clock.wait(chaos.controller.site.timing.left_s + 0.05)


def other_firmware(chaos: Chaos) -> None:
    chaos.setup_id = "new firmware"


def go_local(chaos: Chaos) -> None:
    chaos.plant.change(is_remote=False)


def fill_the_tank(chaos: Chaos) -> None:
    chaos.plant.change(is_tank_full=True)


def lose_power(chaos: Chaos) -> None:
    """The process is gone with what it held; power returns and another one comes up, which a person did not start."""
    chaos.plant.beats.clear()
    chaos.controller = chaos.make_controller()
    chaos.plant.change(is_remote=False)
    with pytest.raises(InputError, match="was cut off"):
        chaos.controller.start(by="supervisor")
    chaos.plant.change(is_remote=True)
    chaos.repairs.append(lambda: require_only_off(chaos))


def require_only_off(chaos: Chaos) -> None:
    """Since the power returned the heartbeat said nothing but that the gate is off."""
    assert {state for state, _ in chaos.plant.beats} == {State.OFF}


def nothing(chaos: Chaos) -> None:
    """The fish itself is the fault."""
    del chaos


SAFE, HOLD, REJECT = (Position.SAFE,), (Position.HOLD,), (Position.REJECT,)
CAUSES = {
    "camera stalls": Cause(stall, SAFE, Fault.CAMERA_STALLED),
    "picture freezes": Cause(freeze, SAFE, Fault.PICTURE_FROZEN),
    "clock jumps": Cause(jump, SAFE, Fault.CLOCK),
    "package damaged": Cause(damage, SAFE, Fault.PACKAGE),
    "package swapped": Cause(swap, SAFE, Fault.PACKAGE, fish=("NSH",)),
    "package gone": Cause(remove, SAFE, Fault.PACKAGE),
    "link lost": Cause(cut_the_link, SAFE, Fault.LINK),
    "link breaks": Cause(break_the_link, (), Fault.LINK),
    "gate stuck": Cause(jam, REJECT + SAFE, Fault.POSITION, fish=("NSH", "AMS"), lines=2),
    "disk full": Cause(fill_the_disk, SAFE, Fault.LOG, lines=0),
    "log locked": Cause(lock_the_log, SAFE, Fault.LOG, lines=0),
    "power lost": Cause(lose_power, (), lines=0, is_power=True),
    "model fails": Cause(break_the_model, SAFE),
    "model: no number": Cause(give_no_number, HOLD),
    "deadline missed": Cause(be_late, SAFE, moment=AFTER_THE_FISH),
    "other firmware": Cause(other_firmware, HOLD),
    "tank full": Cause(fill_the_tank, SAFE, fish=("dull",)),
    "picture damaged": Cause(nothing, HOLD, fish=("cut short",)),
    "two fish": Cause(nothing, HOLD, fish=("two",)),
    "local mode": Cause(go_local, ()),
}
"""A stuck gate can only be found out by asking it to move: it is asked to turn a fish back, and stays where it is."""
