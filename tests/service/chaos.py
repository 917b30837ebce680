"""A gate through a day of random faults, each mended by a person afterwards; for tests and for scripts/soak_gate."""

from __future__ import annotations

import resource
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from passage_cv.config import configs_folder
from passage_cv.gate.runtime import Package
from passage_cv.gate.site import read_site
from passage_cv.records import Action
from passage_cv.service.controller import Controller
from passage_cv.service.frames import ListedCamera
from passage_cv.service.log import GateLog
from passage_cv.service.machine import State
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.river import River, SimulatedPlant, make_clock

FAULTS = (
    "stall", "freeze", "clock", "damage", "gone", "link", "stuck", "broken", "disk", "picture", "two", "model",
    "local",
)  # fmt: skip
PAGE = 4096
NO_LATCH = {"picture", "two", "model", "local"}
"""Faults of one fish, or of nobody; after them the gate goes on by itself."""


@dataclass(frozen=True)
class Suffered:
    """One fault: when it was caused and mended in simulated seconds, and what was commanded meanwhile.

    ``noticed_s`` and ``ready_s`` are from the cause to the first frame at which the gate was in fault (None: it never
    latched, the fault concerned one fish alone), and from a person's reset to work again.
    """

    fault: str
    noticed_s: float | None
    ready_s: float
    passes: int


class Chaos:
    """One gate through a day of faults, each mended by a person afterwards."""

    def __init__(self, package: Path, keys: Path, folder: Path, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.whole, self.package = package, folder / "package"
        shutil.copytree(package, self.package)
        self.log = GateLog(folder / "gate.sqlite")
        self.plant, self.clock, self.river = SimulatedPlant(), make_clock(), River(seed)
        site = read_site(configs_folder() / "site" / "kettleback.toml").model_copy(update={"setup_id": "demo-setup"})
        self.controller = Controller(self.package, site, self.log, self.plant, self.clock, keys=keys)
        self.fault_s: float | None = None
        self.water = self.river.empty(40)
        self.pool = {code: self.river.one(code) for code in ("AMS", "BOW", "NSH", "dull")}
        self.start()

    def start(self) -> None:
        self.plant.change(is_remote=False, is_alive=True, position=Position.SAFE)
        self.controller.start(by="TBO")
        self.plant.change(is_remote=True)
        self.show(self.river.empty(FIRST_FRAMES))
        assert self.controller.machine.state is State.READY

    def show(self, pictures: list[bytes | None], *, frames_per_s: float = 10.0) -> None:
        camera = ListedCamera(pictures, self.clock, setup_id="demo-setup", frames_per_s=frames_per_s)
        for frame in camera:
            self.controller.take(frame)
            if self.fault_s is None and self.controller.machine.state is State.FAULT:
                self.fault_s = self.clock.seconds
        self.controller.run([])

    def idle(self, seconds: float) -> None:
        """Nothing but water, a frame every 1.9 s: as seldom as the site's camera may deliver."""
        for number in range(int(seconds / 1.9)):
            self.show([self.water[number % len(self.water)]], frames_per_s=1 / 1.9)

    def gate(self) -> Package:
        assert self.controller.packages is not None
        return self.controller.packages.at(self.clock.now()).gate

    def fish(self) -> list[bytes | None]:
        return [*self.pool[str(self.rng.choice(["AMS", "BOW", "NSH", "dull"]))]]

    def passes(self) -> int:
        return self.plant.positions.count(Position.PASS)

    def suffer(self, fault: str) -> Suffered:
        """Cause one fault, show wanted fish during it, and mend it; not one may pass."""
        before, caused_s, self.fault_s = self.passes(), self.clock.seconds, None
        gate, wanted = self.gate(), self.river.one("AMS")
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        model = gate.model
        if fault == "stall":
            self.show([None] * 25)
        elif fault == "freeze":
            self.show(self.river.empty(1) * 6)
        elif fault == "clock":
            self.clock.offset_s += float(self.rng.choice([-7200, 30, 86400]))
        elif fault == "damage":
            path = self.package / str(self.rng.choice(["model.onnx", "cutoffs.json", "policy.toml", "manifest.json"]))
            path.write_bytes(path.read_bytes()[:-1])
        elif fault == "gone":
            shutil.rmtree(self.package)
        elif fault in ("link", "local"):
            self.plant.change(**{"is_alive": False} if fault == "link" else {"is_remote": False})
        elif fault in ("stuck", "broken"):
            setattr(self.plant, fault, True)
        elif fault == "disk":
            resource.setrlimit(resource.RLIMIT_FSIZE, (PAGE, limits[1]))  # no further page fits any file
        elif fault == "picture":
            wanted[1] = wanted[1][: len(wanted[1]) // 2]
        elif fault == "two":
            wanted = [*self.river.two(), *self.river.empty(3)]
        elif fault == "model":
            object.__setattr__(gate, "model", None)
        self.show(wanted)
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        told_before_it_was_known = 1 if fault == "stuck" else 0  # asked to pass, did not move: that is the fault
        assert self.passes() - before == told_before_it_was_known, fault
        noticed_s = None if self.fault_s is None else self.fault_s - caused_s
        return Suffered(fault, noticed_s, self.mend(fault, model), self.passes() - before)

    def mend(self, fault: str, model: object) -> float:
        """Repair the cause and start again where that is needed; gives the seconds from reset to work."""
        self.plant.stuck = self.plant.broken = False
        self.plant.change(is_alive=True, is_remote=True)
        if fault in ("damage", "gone"):
            shutil.rmtree(self.package, ignore_errors=True)
            shutil.copytree(self.whole, self.package)
        if fault == "model":
            object.__setattr__(self.gate(), "model", model)
        if fault in NO_LATCH:
            assert self.controller.machine.state is State.READY, fault
            return 0.0
        assert self.controller.machine.state is State.FAULT, fault
        self.show(self.fish())  # mended, but nobody has reset it
        assert self.controller.machine.state is State.FAULT, fault
        self.controller.reset(by="RKV")
        began_s = self.clock.seconds
        self.start()
        return self.clock.seconds - began_s


def soak(
    package: Path,
    keys: Path,
    folder: Path,
    n_faults: int,
    seed: int,
    *,
    day_s: float = 0.0,
    look: Callable[[int], None] = lambda _: None,
) -> list[Suffered]:
    """Fish and faults in turn; with ``day_s`` they are spread over so many simulated seconds. ``look`` sees each."""
    chaos = Chaos(package, keys, folder, seed)
    suffered = []
    for number in range(n_faults):
        for _ in range(int(chaos.rng.integers(1, 4))):
            chaos.show(chaos.fish())
        suffered.append(chaos.suffer(str(chaos.rng.choice(FAULTS))))
        chaos.idle(max(0.0, day_s * (number + 1) / n_faults - chaos.clock.seconds))
        look(number)
    require_nothing_lost(chaos)
    chaos.log.close()
    return suffered


def require_nothing_lost(chaos: Chaos) -> None:
    """Every verdict that was acted on has its line, and only lines that say pass were passed."""
    acted_on = {verdict.sequence for verdict, _ in chaos.plant.asked if verdict.reason < 30}
    lines = {int(line.presentation_id.rpartition("-")[2]): line for line in chaos.log.lines()}
    assert acted_on <= lines.keys()
    assert all(line.action is Action.PASS for line in lines.values() if line.commanded == "pass")
