"""What the gate computer and the plant's controller say to each other, whatever carries it.

The plant owns the gate: it may refuse, be in local or manual mode, or be gone. Positions are words here and numbers
on the wire (registers 45 and 46).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from passage_cv.gate.registers import Verdict
from passage_cv.records import Action
from passage_cv.service.machine import State


class Position(StrEnum):
    """Where the gate can be asked to stand; ``safe`` is what the site declared."""

    SAFE = "safe"
    PASS = "pass"  # noqa: S105 - a gate position, not a password
    HOLD = "hold"
    REJECT = "reject"
    UNKNOWN = "unknown"


POSITION_CODES = {Position.SAFE: 0, Position.PASS: 1, Position.HOLD: 2, Position.REJECT: 3, Position.UNKNOWN: 65535}
POSITION_OF = {
    Action.PASS: Position.PASS,
    Action.HOLD: Position.HOLD,
    Action.REJECT: Position.REJECT,
    Action.NO_DECISION: Position.SAFE,
}


@dataclass(frozen=True, slots=True)
class PlantState:
    """What the plant's controller last said.

    ``is_alive`` is false once its heartbeat is overdue, ``echoes_package`` where it expects another package.
    ``trigger`` counts up for each fish; ``tank_min`` is how long the oldest fish has been in the holding tank,
    ``air_s`` how long the last one was out of water.
    """

    is_alive: bool = True
    is_remote: bool = True
    is_automatic: bool = True
    position: Position = Position.SAFE
    is_tank_full: bool = False
    echoes_package: bool = True
    is_off: bool = False
    trigger: int = 0
    tank_min: int = 0
    air_s: float = 0.0

    @property
    def is_local(self) -> bool:
        """Whether people at the gate have it, and nobody else."""
        return not self.is_remote and not self.is_off


class Plant(Protocol):
    """The plant's end of the link."""

    def state(self) -> PlantState:
        """What the controller says now."""
        ...

    def beat(self, state: State, package_id: str) -> None:
        """Show that the gate computer lives, what it is doing and with which package."""
        ...

    def command(self, verdict: Verdict, position: Position) -> Position:
        """Ask for a position and give back the one that was confirmed in time (``unknown`` if none was)."""
        ...


class NoPlant:
    """Nobody at the other end: for shadow runs, where nothing is commanded."""

    def state(self) -> PlantState:
        """A plant in local mode, at its safe position."""
        return PlantState(is_remote=False)

    def beat(self, state: State, package_id: str) -> None:
        """Tell nobody."""

    def command(self, verdict: Verdict, position: Position) -> Position:
        """Command nothing."""
        del verdict, position
        return Position.UNKNOWN
