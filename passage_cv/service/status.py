"""What is in service and how it does: the gate log in one page, for ``gate status`` and for the web."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from passage_cv.gate.runtime import open_package
from passage_cv.records import Action
from passage_cv.service.audit import AuditReport, audit_report
from passage_cv.service.drift import DriftReport, drift_report
from passage_cv.service.log import GateLog


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

    @property
    def ok(self) -> bool:
        """Whether no audit alarm stands."""
        return not self.audits.alarms

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {**asdict(self), "ok": self.ok}


def gate_status(package: Path, log: Path, *, delta: float = 0.05) -> GateStatus:
    """Read what a gate did with one package.

    Parameters
    ----------
    delta
        Chance of ever raising a false audit alarm.

    Raises
    ------
    InputError
        If the package is altered, or the log is missing or is none.
    """
    gate = open_package(package)
    with GateLog.open_existing(log) as open_log:
        every, found = list(open_log.lines()), open_log.audited()
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
        drift=drift_report(own),
    )
