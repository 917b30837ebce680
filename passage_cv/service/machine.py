"""The states of the reference controller, as a pure function: what may follow what, and who must ask for it.

A fault latches: only a person's reset and a passed self-test lead back, so nothing starts by itself when power or
a link returns. Every state but ``ready`` commands nothing but the safe position.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from passage_cv.errors import InputError


class State(StrEnum):
    """What the gate computer is doing; the numbers on the wire are in ``STATE_CODES``."""

    OFF = "off"
    SELF_TEST = "self-test"
    READY = "ready"
    SHADOW = "shadow"
    FAULT = "fault"
    BYPASS = "bypass"


STATE_CODES = {
    State.OFF: 0,
    State.SELF_TEST: 1,
    State.READY: 2,
    State.SHADOW: 3,
    State.FAULT: 4,
    State.BYPASS: 5,
}


class Fault(StrEnum):
    """Why no decision can be made; the words are those of the reason codes."""

    MODEL = "fault"
    DEADLINE = "deadline missed"
    CAMERA_STALLED = "camera stalled"
    PICTURE_FROZEN = "picture frozen"
    LOG = "log not writable"
    LINK = "link lost"
    CLOCK = "clock jumped"
    PACKAGE = "package altered"
    POSITION = "position not confirmed"
    TANK_FULL = "tank full"
    SELF_TEST = "self-test not passed"
    BYPASS = "bypassed by a person"
    OFF = "controller is off"


LATCHING = frozenset(Fault) - {Fault.DEADLINE, Fault.TANK_FULL, Fault.MODEL, Fault.BYPASS, Fault.OFF}
"""Faults that stay until a person resets; the others concern one presentation, or are no fault but a state."""


@dataclass(frozen=True, slots=True)
class Machine:
    """Where the controller stands. ``fault`` is set in state ``fault`` alone, ``until_s`` in ``bypass`` alone."""

    state: State = State.OFF
    fault: Fault | None = None
    until_s: float | None = None
    shadow: bool = False

    @property
    def may_command(self) -> bool:
        """Whether a verdict may move the gate."""
        return self.state is State.READY

    @property
    def decides(self) -> bool:
        """Whether presentations are decided at all."""
        return self.state in (State.READY, State.SHADOW)

    @property
    def why_not(self) -> Fault:
        """What a presentation is told while nothing is decided."""
        states = {State.BYPASS: Fault.BYPASS, State.OFF: Fault.OFF}
        return self.fault or states.get(self.state, Fault.SELF_TEST)

    def start(self, *, shadow: bool) -> Machine:
        """A person starts the controller: the self-test comes first.

        Raises
        ------
        InputError
            Unless it is off.
        """
        self._require(State.OFF, "Reset it first.")
        return Machine(State.SELF_TEST, shadow=shadow)

    def pass_self_test(self) -> Machine:
        """The self-test passed."""
        self._require(State.SELF_TEST, "Start it first.")
        return replace(self, state=State.SHADOW if self.shadow else State.READY)

    def fail(self, fault: Fault) -> Machine:
        """A fault occurred, in whatever state; the first one stays named, and an off controller stays off."""
        if self.state in (State.OFF, State.FAULT) or fault not in LATCHING:
            return self
        return Machine(State.FAULT, fault=fault, shadow=self.shadow)

    def reset(self) -> Machine:
        """A person acknowledges a fault, or ends a bypass or a run: off, to be started again."""
        return Machine()

    def bypass(self, until_s: float) -> Machine:
        """A person takes the gate over until a time of the steady clock.

        Raises
        ------
        InputError
            If nothing is running.
        """
        if not self.decides:
            raise InputError(f"State is {self.state}, a bypass needs ready or shadow", do="Start the controller.")
        return replace(self, state=State.BYPASS, until_s=until_s)

    def tick(self, now_s: float) -> Machine:
        """Time passed: a bypass that ran out leads to off, never back to work by itself."""
        over = self.state is State.BYPASS and self.until_s is not None and now_s >= self.until_s
        return Machine() if over else self

    def _require(self, state: State, do: str) -> None:
        if self.state is not state:
            raise InputError(f"State is {self.state}, needed {state}", do=do)
