"""What is in service and how it does: the gate log in one page, for ``gate status`` and for the web."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from passage_cv.gate.runtime import open_package
from passage_cv.gate.site import Site
from passage_cv.progress import Progress, silent, tracked
from passage_cv.records import Action
from passage_cv.service.audit import AuditReport, audit_report
from passage_cv.service.drift import DriftReport, drift_report
from passage_cv.service.keeping import SHARPNESS
from passage_cv.service.loading import InService, in_service
from passage_cv.service.log import Event, GateLog
from passage_cv.service.packages import ALWAYS, ATTENDED, UNATTENDED
from passage_cv.service.proof import ProofState, proof_tests
from passage_cv.service.running import unfinished


@dataclass(frozen=True, slots=True)
class GateStatus:
    """The log of one package; lines of other packages are only counted."""

    package_id: str
    presentations: int
    of_other_packages: int
    first: str
    last: str
    actions: Mapping[Action, int]
    hold_reasons: Mapping[str, int]
    audits: AuditReport
    drift: DriftReport
    tightened: tuple[InService, ...]
    cut_off: bool
    proof_tests: tuple[ProofState, ...]

    @property
    def overdue(self) -> tuple[ProofState, ...]:
        """Functions whose proof test is overdue or failed."""
        return tuple(one for one in self.proof_tests if not one.ok)

    @property
    def ok(self) -> bool:
        """Whether no audit alarm stands, no proof test is overdue and no run was cut off."""
        return not (self.audits.alarms or self.overdue or self.cut_off)

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {**asdict(self), "ok": self.ok}


def gate_status(
    package: Path,
    log: Path,
    *,
    site: Site | None = None,
    delta: float = 0.05,
    now: datetime | None = None,
    progress: Progress = silent,
) -> GateStatus:
    """Read what a gate did with one package.

    Parameters
    ----------
    site
        The site's file, for its proof tests.
    delta
        Chance of ever raising a false audit alarm.
    now
        When the question is asked.

    Raises
    ------
    InputError
        If the package is altered, or the log is missing or is none.
    """
    gate = open_package(package)
    with GateLog.open_existing(log) as open_log:
        every = list(tracked(open_log.lines(), "Reading the log", progress, total=open_log.count()))
        found, sharpness = open_log.audited(), open_log.measures(SHARPNESS)
        events = open_log.events_since()
    own = [line for line in every if line.package_id == gate.manifest.package_id]
    names = {line.presentation_id for line in own}
    counted = Counter(line.action for line in own)
    return GateStatus(
        package_id=gate.manifest.package_id,
        presentations=len(own),
        of_other_packages=len(every) - len(own),
        first=min((line.time for line in own), default=""),
        last=max((line.time for line in own), default=""),
        actions={action: counted[action] for action in Action},
        hold_reasons=dict(Counter(line.hold_reason for line in own if line.hold_reason).most_common()),
        audits=audit_report(own, {k: v for k, v in found.items() if k in names}, gate.policy, delta=delta),
        drift=drift_report(own, sharpness=sharpness),
        tightened=_tightened(events),
        cut_off=unfinished(events) is not None,
        proof_tests=proof_tests(events, () if site is None else site.proof_tests, now=now or datetime.now(UTC)),
    )


def _tightened(events: tuple[Event, ...]) -> tuple[InService, ...]:
    """What allows less than its package does, for each of the hours."""
    found = (in_service(events, hours=hours) for hours in (ALWAYS, ATTENDED, UNATTENDED))
    return tuple(one for one in found if one is not None and one.because)
