"""The reference controller: frames in, one advice per presentation out, and a safe position whenever in doubt.

In this order for each presentation: decide, check the deadline, write the line to disk, command, read the
position back. A fault latches and asks for the safe position; only a person starts again. It advises the plant's
controller and is never the safety function.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from passage_cv.errors import InputError
from passage_cv.gate.codes import ACTION_CODES, reason_code
from passage_cv.gate.registers import Verdict
from passage_cv.gate.runtime import FAULT, GateDecision, Package
from passage_cv.gate.site import Site
from passage_cv.records import Action
from passage_cv.service.audit import is_drawn
from passage_cv.service.forming import Former, Presentation
from passage_cv.service.frames import Clock, Frame
from passage_cv.service.log import GateLog, LogLine
from passage_cv.service.machine import LATCHING, Fault, Machine, State
from passage_cv.service.plant import POSITION_CODES, POSITION_OF, Plant, Position
from passage_cv.service.presence import EmptyView
from passage_cv.service.selftest import self_test
from passage_cv.service.watch import CameraWatch, ClockWatch, PackageWatch


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What one run did: presentations per action, per position asked for, and the state at its end."""

    presentations: int
    actions: Mapping[Action, int]
    commanded: Mapping[Position, int]
    state: State
    fault: Fault | None


class Controller:
    """One gate with one package. It is off until a person starts it.

    Parameters
    ----------
    package
        Folder of the package.
    plant, clock
        The other end of the link, and the clocks.
    keys
        Folder of trusted public keys; None leaves signatures unchecked.
    """

    def __init__(
        self, package: Path, site: Site, log: GateLog, plant: Plant, clock: Clock, *, keys: Path | None = None
    ) -> None:
        self.folder, self.site, self.log, self.plant, self.clock, self.keys = package, site, log, plant, clock, keys
        self.machine = Machine()
        self._gate: Package | None = None
        self._sequence = log.count()
        self._count: Counter[Action] = Counter()
        self._asked: Counter[Position] = Counter()

    def start(self, *, by: str, shadow: bool = False) -> None:
        """A person starts the controller; ends in self-test, or in fault with the reason in the log.

        Raises
        ------
        InputError
            Unless it is off, and the plant is in local mode at its safe position.
        """
        said = self.plant.state()
        if said.is_remote or said.position is not Position.SAFE:
            raise InputError(
                f"Plant is in {'remote' if said.is_remote else 'local'} mode at position {said.position}",
                where=self.site.site,
                do="Packages load only in local mode with the gate at its safe position.",
            )
        self.machine = self.machine.start(shadow=shadow)
        self._note("start", "shadow" if shadow else "live", by)
        try:
            self._gate = self_test(self.folder, self.site, self.log, keys=self.keys)
        except InputError as error:
            self._check_fault(Fault.SELF_TEST, str(error))
            return
        self._empty, self._former = EmptyView(), Former(self._gate.cutoffs.views.max)
        self._camera = CameraWatch(self.site)
        self._clock_watch = ClockWatch(self.clock, self.site.clock_jump_s)
        self._package_watch = PackageWatch(self.folder)

    def reset(self, *, by: str) -> None:
        """A person acknowledges a fault or ends the run; the controller is off then."""
        self._note("reset", str(self.machine.fault or self.machine.state), by)
        self.machine = self.machine.reset()

    def bypass(self, *, by: str, reason: str, seconds: float) -> None:
        """A person takes the gate over for a time, with a reason.

        Raises
        ------
        InputError
            If nothing runs, or no name or reason is given.
        """
        if not by or not reason:
            raise InputError("A bypass needs a name and a reason", where=self.site.site, do="Give both.")
        self.machine = self.machine.bypass(self.clock.steady() + seconds)
        self._note("bypass", f"{reason}, {seconds:g} s", by)

    def run(self, camera: Iterable[Frame | None]) -> RunSummary:
        """Work through a camera's frames until they end; never raises for what a frame or the plant does."""
        for frame in camera:
            self.take(frame)
        if self._gate is not None and (last := self._former.finish()):
            self._present(last)
        return RunSummary(
            presentations=self._count.total(),
            actions={action: self._count[action] for action in Action},
            commanded={position: self._asked[position] for position in Position},
            state=self.machine.state,
            fault=self.machine.fault,
        )

    def take(self, frame: Frame | None) -> None:
        """Take one frame, or the fact that none came."""
        self.machine = self.machine.tick(self.clock.steady())
        self._beat()
        if self._gate is None:
            return
        view = None if frame is None else self._empty.look(frame.data)
        self._check_fault(self._camera.check(self.clock.steady(), None if view is None else view.fingerprint))
        self._check_health()
        if self.machine.state is State.SELF_TEST:
            if self._empty.is_learnt:
                self.machine = self.machine.pass_self_test()
            return
        if frame is not None and view is not None and (ended := self._former.add(frame, view)):
            self._present(ended)

    def _present(self, shown: Presentation) -> None:
        """Decide one presentation, write its line, then command."""
        self._sequence += 1
        self._check_health()
        made = self._decide(shown)
        position = self._position(made)
        moves = self.machine.may_command and self._may_move()
        line = self._line(shown, made, position if moves else None)
        self._count[made.action] += 1
        try:
            self.log.append(line)
        except InputError as error:
            self._check_fault(Fault.LOG, str(error))
            return
        if moves:
            self._command(line, made, position)

    def _decide(self, shown: Presentation) -> GateDecision:
        gate = self._gate
        if gate is None or not self.machine.decides:
            return no_decision(self.machine.why_not)
        waited_ms = (self.clock.steady() - shown.last_s) * 1e3
        made = gate.decide(
            [frame.data for frame in shown.frames],
            hold_reason=shown.hold_reason,
            setup_id=_setup_of(shown, gate, self.site),
        )
        if waited_ms + made.latency_ms > self.site.timing.left_s * 1e3:
            return replace(made, action=Action.NO_DECISION, reason=FAULT, hold_reason=Fault.DEADLINE.value)
        return made

    def _position(self, made: GateDecision) -> Position:
        """Where the gate shall stand; a full tank takes no more fish, and never lets one pass for that."""
        if made.action is Action.HOLD and self.plant.state().is_tank_full:
            return Position.REJECT if self.site.on_hold_full == "reject" else Position.SAFE
        return POSITION_OF[made.action]

    def _may_move(self) -> bool:
        """Whether the plant leaves the gate to us just now."""
        said = self.plant.state()
        return said.is_alive and said.is_remote and said.is_automatic and said.echoes_package

    def _line(self, shown: Presentation, made: GateDecision, position: Position | None) -> LogLine:
        """The log line; position None is nothing commanded."""
        gate, now = self._gate, self.clock.now()
        assert gate is not None
        name = f"{self.site.site}-{self._sequence:07d}"
        return LogLine(
            presentation_id=name,
            time=now.isoformat(timespec="milliseconds"),
            site=self.site.site,
            event=f"{self.site.site}-{now:%Y%m%d}",
            setup_id=_setup_of(shown, gate, self.site),
            camera="",
            package_id=gate.manifest.package_id,
            policy_sha256=gate.manifest.policy_sha256,
            image_sha256s=made.image_sha256s,
            image_paths=tuple(frame.name for frame in shown.frames),
            logits={
                code: tuple(float(x) for x in column)
                for code, column in zip(gate.cutoffs.classes, made.logits.T, strict=bool(made.logits.size))
            },
            score=made.score,
            action=made.action,
            reason=made.reason,
            hold_reason=made.hold_reason,
            latency_ms=made.latency_ms,
            live=position is not None,
            commanded="" if position is None else position.value,
            audit=is_drawn(name, self.site.audit),
        )

    def _command(self, line: LogLine, made: GateDecision, position: Position) -> None:
        verdict = Verdict(
            sequence=self._sequence,
            action=POSITION_CODES[position],
            reason=reason_code(made.reason, made.hold_reason),
            age_limit_ms=max(0, min(0xFFFF, round(self.site.timing.left_s * 1e3))),
            decided_at=int(self.clock.now().timestamp()),
            latency_ms=round(made.latency_ms),
        )
        self._asked[position] += 1
        confirmed = self._ask(verdict, position)
        try:
            self.log.confirm(line.presentation_id, time=self._now(), confirmed=confirmed.value)
        except InputError as error:
            self._check_fault(Fault.LOG, str(error))
        if confirmed is not position:
            self._check_fault(Fault.POSITION, f"asked for {position}, found {confirmed}")

    def _ask(self, verdict: Verdict, position: Position) -> Position:
        try:
            return self.plant.command(verdict, position)
        except Exception as error:
            self._check_fault(Fault.LINK, str(error))
            return Position.UNKNOWN

    def _check_health(self) -> None:
        if self._gate is None or self.machine.state is State.OFF:
            return
        if not self.plant.state().is_alive:
            self._check_fault(Fault.LINK)
        self._check_fault(self._clock_watch.check())
        self._check_fault(self._package_watch.check())

    def _check_fault(self, fault: Fault | None, detail: str = "") -> None:
        """Let a fault latch: note it once and ask for the safe position."""
        if fault is None or fault not in LATCHING or self.machine.state in (State.OFF, State.FAULT):
            return
        was_live = self.machine.state is State.READY
        self.machine = self.machine.fail(fault)
        self._note("fault", f"{fault}{': ' if detail else ''}{detail}", "")
        if was_live:
            self._asked[Position.SAFE] += 1
            self._ask(self._safe_verdict(fault), Position.SAFE)

    def _safe_verdict(self, fault: Fault) -> Verdict:
        return Verdict(
            sequence=self._sequence,
            action=ACTION_CODES[Action.NO_DECISION],
            reason=reason_code(FAULT, fault.value),
            age_limit_ms=0xFFFF,
            decided_at=int(self.clock.now().timestamp()),
            latency_ms=0,
        )

    def _beat(self) -> None:
        package = self._gate.manifest.package_id if self._gate else ""
        try:
            self.plant.beat(self.machine.state, package)
        except Exception as error:
            self._check_fault(Fault.LINK, str(error))

    def _note(self, kind: str, detail: str, by: str) -> None:
        """Write an event; a log that cannot be written is found at the next presentation, where it counts."""
        with contextlib.suppress(InputError):
            self.log.add_event(time=self._now(), kind=kind, detail=detail, by=by)

    def _now(self) -> str:
        return self.clock.now().isoformat(timespec="milliseconds")


def no_decision(fault: Fault) -> GateDecision:
    """What comes out where nothing may be decided."""
    return GateDecision(
        action=Action.NO_DECISION,
        score=float("nan"),
        reason=FAULT,
        hold_reason=fault.value,
        logits=np.zeros((0, 0), dtype=np.float32),
        image_sha256s=(),
        latency_ms=0.0,
    )


def _setup_of(shown: Presentation, gate: Package, site: Site) -> str:
    """The set-up that counts: one on which nothing was shown, if any frame has it, else that of the frames."""
    found = [frame.setup_id for frame in shown.frames] or [site.setup_id]
    return next((name for name in found if name not in gate.manifest.setup_ids), found[0])
