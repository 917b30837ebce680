"""A controller on the bench, before a simulated plant."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from passage_cv.config import configs_folder
from passage_cv.gate.site import Site, read_site
from passage_cv.service.controller import Controller
from passage_cv.service.frames import ListedCamera, SimulatedClock
from passage_cv.service.log import GateLog, LogLine
from passage_cv.service.machine import State
from tests.service.river import River, SimulatedPlant

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
