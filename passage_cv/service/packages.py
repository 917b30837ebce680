"""The packages that a gate has in service: one, or one for attended and one for unattended hours.

Comes in: folders. Goes out: at any moment the package that counts and what was tightened since it was loaded. Who may
load which is decided in :mod:`passage_cv.service.loading`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.gate.runtime import Package
from passage_cv.gate.site import Site
from passage_cv.service.audit import audit_report, what_alarms_stop
from passage_cv.service.loading import (
    InService,
    describe_package,
    in_service,
    note_load,
    note_tighten,
    signatures_needed,
)
from passage_cv.service.log import GateLog
from passage_cv.service.machine import Fault
from passage_cv.service.selftest import require_signers, self_test
from passage_cv.service.watch import PackageWatch

ALWAYS, ATTENDED, UNATTENDED = "always", "attended", "unattended"
AUDIT_ALARM = "audit alarm"


@dataclass(frozen=True, slots=True)
class Loaded:
    """A package in service for some hours; ``attended`` is None where the site keeps no timetable."""

    gate: Package
    now: InService
    hours: str
    attended: bool | None


class Packages:
    """Loaded packages by the hours for which they count."""

    def __init__(self, folders: Mapping[str, Path], site: Site, log: GateLog) -> None:
        self.site, self.log = site, log
        self._require_hours(folders)
        self._gates = {hours: self_test(folder, site) for hours, folder in folders.items()}
        self._watches = [PackageWatch(folder) for folder in folders.values()]
        self._now = {hours: describe_package(gate) for hours, gate in self._gates.items()}
        self._audits = -1
        self._alarms: dict[str, tuple[float | None, float | None, str]] = {}

    @property
    def views(self) -> int:
        """The most views that any of them uses."""
        return max(gate.cutoffs.views.max for gate in self._gates.values())

    def put_in_service(self, keys: Path | None, *, time: str, by: str) -> None:
        """Check who signed, and write down what is in service from now on.

        Raises
        ------
        InputError
            If too few trusted people signed; what was in service before stays.
        """
        events = self.log.events_since()
        for hours, gate in self._gates.items():
            new, before = self._now[hours], in_service(events, hours=hours)
            is_known = before is not None and before.package_id == new.package_id
            needed = self.site.signatures if is_known else signatures_needed(new, before, self.site.signatures)
            require_signers(gate.folder, keys, needed)
            if not is_known:
                note_load(self.log, new, hours=hours, time=time, by=by)

    def refresh(self, *, time: str) -> None:
        """Take up what was tightened meanwhile, and any audit alarm that came up."""
        audits = self.log.count_audits()
        if audits != self._audits:
            self._audits = audits
            self._look_at_audits()
        events = self.log.events_since()
        for hours, gate in self._gates.items():
            found, own = in_service(events, hours=hours), describe_package(gate)
            is_own = found is not None and found.package_id == own.package_id
            before = found if found is not None and is_own else own
            u, v, who = self._alarms[hours]
            self._now[hours] = before.tightened(_or(u, math.inf), _or(v, -math.inf), AUDIT_ALARM)
            if is_own and self._now[hours] != before:
                note_tighten(self.log, u=u, v=v, because=AUDIT_ALARM, time=time, by=who)

    def at(self, moment: datetime) -> Loaded:
        """The package that counts at a moment."""
        timetable = self.site.hours
        attended = None if timetable is None else timetable.is_attended(moment)
        hours = ALWAYS if attended is None else ATTENDED if attended else UNATTENDED
        return Loaded(self._gates[hours], self._now[hours], hours, attended)

    def check(self) -> Fault | None:
        """Whether every file of every package still lies as it was loaded."""
        return next((fault for watch in self._watches if (fault := watch.check())), None)

    def _look_at_audits(self) -> None:
        """What the audits of each package's own fish stop; once in the log it stands until another package loads."""
        found = self.log.audited()
        lines = list(self.log.lines(audited=True))  # never the whole log: fish are waiting
        for hours, gate in self._gates.items():
            own = [line for line in lines if line.package_id == gate.manifest.package_id]
            report = audit_report(own, found, gate.policy, delta=self.site.audit.delta)
            who = ", ".join(f"{one.code} ({one.kind})" for one in report.alarms)
            self._alarms[hours] = (*what_alarms_stop(report), who)

    def _require_hours(self, folders: Mapping[str, Path]) -> None:
        needed = {ALWAYS} if self.site.hours is None else {ATTENDED, UNATTENDED}
        if set(folders) != needed:
            raise InputError(
                f"Packages are given for {', '.join(sorted(folders))} hours, needed {', '.join(sorted(needed))}",
                where=self.site.site,
                do="Give a second package with --unattended where the site has a timetable, and only there.",
            )


def _or(value: float | None, other: float) -> float:
    return other if value is None else value
