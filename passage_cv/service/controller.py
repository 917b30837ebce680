"""The reference controller: frames in, one advice per presentation out, and a safe position whenever in doubt.

In this order for each presentation: decide, check the deadline, write pictures and line to disk, check the deadline
again, command, read the position back. A fault latches and asks for the safe position; only a person starts again. It
advises the plant's controller and is never the safety function.
"""

from __future__ import annotations

import contextlib
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.gate.registers import Verdict
from passage_cv.gate.runtime import FAULT, GateDecision
from passage_cv.gate.site import Site
from passage_cv.records import Action
from passage_cv.service.advice import Advice, log_line, no_decision, safe_verdict, setup_of, verdict_of
from passage_cv.service.audit import is_drawn
from passage_cv.service.forming import Former, Presentation
from passage_cv.service.frames import Clock, Frame
from passage_cv.service.keeping import SHARPNESS, Kept, keep_pictures, name_pictures
from passage_cv.service.loading import require_local_and_safe, restrict
from passage_cv.service.log import GateLog, LogLine
from passage_cv.service.machine import LATCHING, Fault, Machine, State
from passage_cv.service.orders import Order, read_order
from passage_cv.service.packages import ALWAYS, ATTENDED, UNATTENDED, Loaded, Packages
from passage_cv.service.placing import place
from passage_cv.service.plant import Plant, PlantState, Position
from passage_cv.service.presence import EmptyView
from passage_cv.service.running import END, FAULT_EVENT, LIVE, RESET, SHADOW_RUN, START, require_finished
from passage_cv.service.watch import CameraWatch, ClockWatch

BYTES_EVERY_S = 1.0
"""How often the package's files are looked at between fish [ours]."""


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What one run did: presentations per action, per position asked for, and the state at its end."""

    presentations: int
    actions: Mapping[Action, int]
    commanded: Mapping[Position, int]
    state: State
    fault: Fault | None


class Controller:
    """One gate with its package. It is off until a person starts it.

    Parameters
    ----------
    package
        Folder of the package.
    plant, clock
        The other end of the link, and the clocks.
    keys
        Folder of trusted public keys; a gate that commands needs it.
    unattended
        Folder of the package for hours at which nobody attends; needed where the site keeps a timetable.
    """

    def __init__(
        self,
        package: Path,
        site: Site,
        log: GateLog,
        plant: Plant,
        clock: Clock,
        *,
        keys: Path | None = None,
        unattended: Path | None = None,
    ) -> None:
        self.site, self.log, self.plant, self.clock, self.keys = site, log, plant, clock, keys
        self.folders = {ALWAYS: package} if unattended is None else {ATTENDED: package, UNATTENDED: unattended}
        self.machine = Machine()
        self.packages: Packages | None = None
        self._sequence = _last_sequence(log, site.site)
        self._count: Counter[Action] = Counter()
        self._asked: Counter[Position] = Counter()
        self._stopping = False

    def start(self, *, by: str, shadow: bool = False) -> None:
        """A person starts the controller; ends in self-test, or in fault with the reason in the log.

        Raises
        ------
        InputError
            Unless it is off; and, where it shall command, unless the run before it ended and the plant is in local
            mode at its safe position.
        """
        if not shadow:
            require_finished(self.log.events_since(), str(self.log.path))
            require_local_and_safe(self.plant.state(), self.site.site)
        self.machine = self.machine.start(shadow=shadow)
        self.packages, self._stopping = None, False
        self._note(START, SHADOW_RUN if shadow else LIVE, by)
        try:
            packages = Packages(self.folders, self.site, self.log)
            if not shadow:
                packages.put_in_service(self.keys, time=self._now(), by=by)
            packages.refresh(time=self._now())
            self.log.add_event(time=self._now(), kind="self-test", detail="passed")
        except InputError as error:
            self._check_fault(Fault.SELF_TEST, str(error))
            return
        self._watch(packages)

    def end(self, *, by: str) -> None:
        """A person ends the run: the safe position is asked for, and the log says that nothing was cut off.

        After a fault nothing ends: that needs :meth:`reset`.
        """
        if self.machine.state is State.FAULT:
            return
        if self.machine.state is State.READY:
            self._ask_safe(Fault.OFF)
        self._note(END, str(self.machine.state), by)
        self.machine = self.machine.reset()

    def reset(self, *, by: str) -> None:
        """A person acknowledges a fault or ends the run; the controller is off then."""
        self._note(RESET, str(self.machine.fault or self.machine.state), by)
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
            if self._stopping:
                break
        if self.packages is not None and (last := self._former.finish()):
            self._present(last, self.packages)
        return self.summary()

    def summary(self) -> RunSummary:
        """What was done since the controller was made."""
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
        self._obey()
        self._beat()
        if self.packages is None:
            return
        view = None if frame is None else self._empty.look(frame)
        self._check_fault(self._camera.check(self.clock.steady(), None if view is None else view.fingerprint))
        self._check_health()
        self._look_for_trigger()
        if self.machine.state is State.SELF_TEST:
            if self._empty.is_learnt:
                self.machine = self.machine.pass_self_test()
            return
        if frame is not None and view is not None and (ended := self._former.add(frame, view)):
            self._present(ended, self.packages)

    def _watch(self, packages: Packages) -> None:
        """Everything that must be learnt or compared anew in a run."""
        self.packages, self._empty = packages, EmptyView()
        self._former = Former(packages.views, longest_s=self.site.camera.longest_s, trigger=self.site.trigger)
        self._camera = CameraWatch(self.site)
        self._clock_watch = ClockWatch(self.clock, self.site.clock_jump_s)
        self._checked_s = self.clock.steady()
        self._triggers = self.plant.state().trigger
        self._read = max((event.line for event in self.log.events_since()), default=0)
        self._audits = self.log.count_audits()

    def _present(self, shown: Presentation, packages: Packages) -> None:
        """Decide one presentation, write its pictures and its line, then command."""
        began_s, shown_s = time.perf_counter(), self.clock.steady() - shown.last_s
        self._sequence += 1
        self._check_health(is_asked=True)
        loaded = packages.at(self.clock.now())
        made = self._in_time(self._decide(shown, loaded), shown_s + time.perf_counter() - began_s)
        said = self.plant.state()
        moves = self.machine.may_command and _may_move(said)
        place_to = place(made, self.site.held, said, loaded.gate.cutoffs.classes)
        name = f"{self.site.site}-{self._sequence:07d}"
        advice = Advice(name, self._sequence, shown, made, place_to, moves)
        self._count[made.action] += 1
        try:
            line = log_line(advice, self._keep(advice), loaded, self.site, said, self.clock.now())
            self.log.append(line)
            if shown.sharpness is not None:
                self.log.add_measure(name, SHARPNESS, shown.sharpness)
        except InputError as error:
            self._check_fault(Fault.LOG, str(error))
            return
        if moves:
            self._command(line, self._still_in_time(advice, shown_s + time.perf_counter() - began_s))

    def _decide(self, shown: Presentation, loaded: Loaded) -> GateDecision:
        if not self.machine.decides:
            return no_decision(self.machine.why_not)
        made = loaded.gate.decide(
            [frame.pixels() for frame in shown.frames],
            hold_reason=shown.hold_reason,
            setup_id=setup_of(shown, loaded, self.site),
        )
        return restrict(made, loaded.now)

    def _in_time(self, made: GateDecision, passed_s: float) -> GateDecision:
        """The decision, or none where the fish has reached the gate meanwhile."""
        if passed_s <= self.site.timing.left_s or made.action is Action.NO_DECISION:
            return made
        return replace(made, action=Action.NO_DECISION, reason=FAULT, hold_reason=Fault.DEADLINE.value)

    def _still_in_time(self, advice: Advice, passed_s: float) -> Advice:
        """The advice, or the safe position where writing took too long; the line stands, an event says why."""
        made = self._in_time(advice.made, passed_s)
        if made is advice.made:
            return advice
        self._note("late", f"{advice.presentation_id}: {passed_s:.3f} s", "")
        return replace(advice, made=made, position=Position.SAFE)

    def _keep(self, advice: Advice) -> Kept:
        """Pictures on disk, where the site wants them."""
        wanted = self.site.pictures.keep == "all" or advice.made.action is not Action.PASS
        if wanted or is_drawn(advice.presentation_id, self.site.audit):
            day = f"{self.clock.now():%Y%m%d}"
            return keep_pictures(self.log.path, advice.presentation_id, day, advice.shown.frames)
        return name_pictures(advice.shown.frames)

    def _command(self, line: LogLine, advice: Advice) -> None:
        confirmed = self._ask(verdict_of(advice, self.site, self.clock.now()), advice.position)
        try:
            self.log.confirm(line.presentation_id, time=self._now(), confirmed=confirmed.value)
        except InputError as error:
            self._check_fault(Fault.LOG, str(error))
        if confirmed is not advice.position:
            self._check_fault(Fault.POSITION, f"asked for {advice.position}, found {confirmed}")

    def _ask(self, verdict: Verdict, position: Position) -> Position:
        self._asked[position] += 1
        try:
            return self.plant.command(verdict, position)
        except Exception as error:
            self._check_fault(Fault.LINK, str(error))
            return Position.UNKNOWN

    def _ask_safe(self, fault: Fault) -> None:
        self._ask(safe_verdict(fault, self._sequence, self.clock.now()), Position.SAFE)

    def _obey(self) -> None:
        """Take up what people ordered through the log, and what audits found meanwhile."""
        if self.packages is None:
            return
        try:
            news, audits = self.log.events_since(self._read), self.log.count_audits()
            if news or audits != self._audits:
                self._audits = audits
                self.packages.refresh(time=self._now())
        except InputError as error:
            self._check_fault(Fault.LOG, str(error))
            return
        self._read = max((event.line for event in news), default=self._read)
        for order in filter(None, map(read_order, news)):
            self._carry_out(order)

    def _carry_out(self, order: Order) -> None:
        if order.what == "stop":
            self._stopping = True
            return
        try:
            self.bypass(by=order.by, reason=order.reason, seconds=order.seconds)
        except InputError as error:
            self._note("refused", str(error), order.by)

    def _look_for_trigger(self) -> None:
        """One note to the former for each count of the plant's trigger; it wraps at 65536."""
        if self.site.trigger.source == "none":
            return
        count = self.plant.state().trigger
        for _ in range((count - self._triggers) & 0xFFFF):
            self._former.note_trigger(self.clock.steady())
        self._triggers = count

    def _check_health(self, *, is_asked: bool = False) -> None:
        """Link, clocks and package; the package's files before every decision, else once a second."""
        if self.packages is None or self.machine.state is State.OFF:
            return
        if not self.machine.shadow and not self.plant.state().is_alive:
            self._check_fault(Fault.LINK)
        self._check_fault(self._clock_watch.check())
        if is_asked or self.clock.steady() - self._checked_s >= BYTES_EVERY_S:
            self._checked_s = self.clock.steady()
            self._check_fault(self.packages.check())

    def _check_fault(self, fault: Fault | None, detail: str = "") -> None:
        """Let a fault latch: note it once and ask for the safe position."""
        if fault is None or fault not in LATCHING or self.machine.state in (State.OFF, State.FAULT):
            return
        was_live = self.machine.state is State.READY
        self.machine = self.machine.fail(fault)
        self._note(FAULT_EVENT, f"{fault}{': ' if detail else ''}{detail}", "")
        if was_live:
            self._ask_safe(fault)

    def _beat(self) -> None:
        package = self.packages.at(self.clock.now()).gate.manifest.package_id if self.packages else ""
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


def _last_sequence(log: GateLog, site: str) -> int:
    """A number that neither a line nor, in an earlier run, a command without a line goes beyond.

    A line that could not be written leaves a gap, and its number may have been sent with the safe position: one more
    than the lines say is passed over, so that what the plant reads is always new.
    """
    ran_before = any(event.kind == START for event in log.events_since())
    return log.last_number(f"{site}-") + ran_before


def _may_move(said: PlantState) -> bool:
    """Whether the plant leaves the gate to us just now."""
    return said.is_alive and said.is_remote and said.is_automatic and said.echoes_package
