"""A gate through a day of random faults, each mended by a person afterwards; for tests and for scripts/soak_gate."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from passage_cv.config import configs_folder
from passage_cv.files import sha256_file
from passage_cv.gate.runtime import Package
from passage_cv.gate.site import read_site
from passage_cv.records import Action
from passage_cv.service.controller import Controller
from passage_cv.service.frames import ListedCamera
from passage_cv.service.log import GateLog
from passage_cv.service.machine import State
from passage_cv.service.plant import Position
from passage_cv.service.presence import FIRST_FRAMES
from tests.service.causes import CAUSES, Cause
from tests.service.river import River, SimulatedPlant, make_clock

SETUP = "demo-setup"
KINDS_OF_FISH = ("AMS", "BOW", "NSH", "dull")
SLOWEST_S = 1.9
"""Between two frames of empty water: as seldom as the site's camera may deliver."""


@dataclass(frozen=True)
class Suffered:
    """One fault, in simulated seconds.

    ``noticed_s`` is from the cause to the first frame at which the gate was in fault, None where none latches;
    ``ready_s`` from a person's reset to work, 0 where the gate never stopped. ``passes`` are the passes that were
    commanded between cause and repair.
    """

    kind: str
    noticed_s: float | None
    ready_s: float
    passes: int


class Chaos:
    """One gate, its river and its plant."""

    def __init__(self, package: Path, keys: Path, folder: Path, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.whole, self.keys, self.folder, self.package = package, keys, folder, folder / "package"
        shutil.copytree(package, self.package)
        self.log = GateLog(folder / "gate.sqlite")
        self.plant, self.clock, self.river = SimulatedPlant(), make_clock(), River(seed)
        self.water = self.river.empty(40)
        self.pool = {code: self.river.one(code) for code in KINDS_OF_FISH}
        self.repairs: list[Callable[[], object]] = []
        self.lines_due = 0
        self.fault_s: float | None = None
        self.setup_id, self.last = SETUP, self.water[0]
        self.controller = self.make_controller()
        self.start()

    def make_controller(self) -> Controller:
        """A gate computer's process as it comes up."""
        site = read_site(configs_folder() / "site" / "kettleback.toml").model_copy(update={"setup_id": SETUP})
        return Controller(self.package, site, self.log, self.plant, self.clock, keys=self.keys)

    def start(self) -> None:
        """A person starts it in local mode at the safe position, and hands it over."""
        self.plant.change(is_remote=False, position=Position.SAFE)
        self.controller.start(by="TBO")
        self.plant.change(is_remote=True)
        self.show(self.river.empty(FIRST_FRAMES))
        assert self.state is State.READY

    @property
    def state(self) -> State:
        return self.controller.machine.state

    def show(self, pictures: Sequence[bytes | None], *, frames_per_s: float = 10.0) -> None:
        for frame in ListedCamera(pictures, self.clock, setup_id=self.setup_id, frames_per_s=frames_per_s):
            self.controller.take(frame)
            self.last = self.last if frame is None else frame.data
            if self.fault_s is None and self.state is State.FAULT:
                self.fault_s = self.clock.seconds

    def show_any_fish(self) -> None:
        self.show(self.pool[str(self.rng.choice(KINDS_OF_FISH))])
        self.lines_due += 1

    def idle(self, seconds: float) -> None:
        """Nothing but water."""
        for number in range(int(seconds / SLOWEST_S)):
            self.show([self.water[number % len(self.water)]], frames_per_s=1 / SLOWEST_S)

    def gate(self) -> Package:
        assert self.controller.packages is not None
        return self.controller.packages.at(self.clock.now()).gate

    def fish(self, name: str) -> list[bytes | None]:
        """A fish never shown before, and the water after it."""
        if name == "two":
            return [*self.river.two(), *self.river.empty(3)]
        if name == "cut short":
            one, two, *rest = self.river.one("AMS")
            return [one, two[: len(two) // 2], *rest]
        return [*self.river.one(name)]

    def suffer(self, kind: str) -> Suffered:
        """Strike before a fish or while it is in view, show the rest, and require that all is as it must be."""
        cause = CAUSES[kind]
        n_asked, self.fault_s = len(self.plant.asked), None
        wanted = [data for name in cause.fish for data in self.fish(name)]
        moment = int(self.rng.integers(0, 3)) if cause.moment is None else cause.moment
        self.show(wanted[:moment])
        struck_s = self.clock.seconds
        cause.strike(self)
        self.show(wanted[moment:])
        self.lines_due += cause.lines
        asked = tuple(self.plant.positions[n_asked:])
        assert asked == cause.asked, (kind, moment, asked)
        assert self.controller.machine.fault is cause.fault, (kind, moment, self.controller.machine.fault)
        noticed_s = None if self.fault_s is None else self.fault_s - struck_s
        return Suffered(kind, noticed_s, self.mend(cause), asked.count(Position.PASS))

    def mend(self, cause: Cause) -> float:
        """Repair, see that nothing starts by itself, and start again; gives the seconds from reset to work."""
        while self.repairs:
            self.repairs.pop()()
        self.plant.stuck = self.plant.broken = False
        self.plant.change(is_alive=True, is_remote=True, is_tank_full=False)
        self.setup_id = SETUP
        shutil.rmtree(self.package, ignore_errors=True)
        shutil.copytree(self.whole, self.package)
        if cause.fault is None and not cause.is_power:
            assert self.state is State.READY, cause
            return 0.0
        self.show_unreset(cause)
        self.controller.reset(by="RKV")
        began_s = self.clock.seconds
        self.start()
        return self.clock.seconds - began_s

    def show_unreset(self, cause: Cause) -> None:
        """A wanted fish when all is mended and nobody has reset the gate: nothing is asked."""
        before = len(self.plant.asked)
        self.show(self.pool["AMS"])
        self.lines_due += not cause.is_power
        assert self.state is (State.OFF if cause.is_power else State.FAULT), cause
        assert len(self.plant.asked) == before, cause


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
    for number, kind in enumerate(draw_kinds(chaos.rng, n_faults)):
        for _ in range(int(chaos.rng.integers(1, 4))):
            chaos.show_any_fish()
        suffered.append(chaos.suffer(kind))
        chaos.idle(max(0.0, day_s * (number + 1) / n_faults - chaos.clock.seconds))
        look(number)
    chaos.log.close()
    require_nothing_lost(chaos)
    return suffered


def draw_kinds(rng: np.random.Generator, n: int) -> list[str]:
    """Kinds in random order, each as often as every other."""
    rounds = [rng.permutation([*CAUSES]) for _ in range(-(-n // len(CAUSES)))]
    return [str(kind) for kind in np.concatenate(rounds)[:n]]


def require_nothing_lost(chaos: Chaos) -> None:
    """By a reader of its own: a line per fish, none damaged, its very pictures, and no command without its line."""
    with sqlite3.connect(chaos.log.path) as reader:
        assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    with GateLog(chaos.log.path) as log:
        lines = {int(line.presentation_id.rpartition("-")[2]): line for line in log.lines()}
    assert len(lines) == chaos.lines_due
    assert {verdict.sequence for verdict, _ in chaos.plant.asked if verdict.reason < 30} <= lines.keys()
    for line in lines.values():
        assert line.action is Action.PASS or "pass" not in (line.commanded, line.confirmed), line
        kept = tuple(sha256_file(chaos.log.path.parent / path) for path in line.image_paths)
        assert kept == line.image_sha256s, line
