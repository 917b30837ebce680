"""Is the gate still as good as was shown: a random share looked at by a person, and an alarm that may be read daily.

The draw is made before the decision and blind to it; auditing only passed fish would measure something else. Of
the audited fish of a class, the share that the gate got wrong is compared with the policy's limit by evidence that
stays valid however often one looks (decision-method section 10).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from passage_cv.gate.site import Audit
from passage_cv.policy import ClassRule, Policy
from passage_cv.records import Action
from passage_cv.service.log import LogLine
from passage_cv.stats.sequential import anytime_interval, has_alarm

ErrorKind = Literal["miss", "false rejection"]


@dataclass(frozen=True, slots=True)
class ClassAudit:
    """What audits say of one class: ``errors`` of ``n`` audited fish, and the interval of the true rate.

    ``limit`` is the policy's, None where it sets none (then there is no alarm). ``delta`` is the chance of a false
    alarm for this class, ever.
    """

    code: str
    kind: ErrorKind
    n: int
    errors: int
    low: float
    upper: float
    limit: float | None
    delta: float
    alarm: bool


@dataclass(frozen=True, slots=True)
class AuditReport:
    """All classes, and how much of what was drawn was looked at; fish never looked at can hide misses."""

    drawn: int
    looked_at: int
    outside_the_draw: int
    classes: tuple[ClassAudit, ...]

    @property
    def alarms(self) -> tuple[ClassAudit, ...]:
        """Classes whose limit is no longer believed."""
        return tuple(one for one in self.classes if one.alarm)


def is_drawn(presentation_id: str, audit: Audit) -> bool:
    """Whether a presentation belongs to the audited share: a draw by seed and name, the same at any time.

    Examples
    --------
    >>> drawn = sum(is_drawn(f"P{n:05d}", Audit(share=0.05, seed=1)) for n in range(20_000))
    >>> 880 < drawn < 1120  # 1000 expected, 31 is one standard deviation
    True
    """
    digest = hashlib.sha256(f"{audit.seed}/{presentation_id}".encode()).digest()
    return int.from_bytes(digest[:8]) < audit.share * 2.0**64


def audit_report(
    lines: Iterable[LogLine], found: Mapping[str, str], policy: Policy, *, delta: float = 0.05
) -> AuditReport:
    """Compare audited presentations with the policy's limits.

    Parameters
    ----------
    lines
        The gate log of one package; only presentations that the draw picked count.
    found
        Class that a person found, by presentation.
    delta
        Chance of ever raising a false alarm; shared evenly among the classes that have a limit.

    Notes
    -----
    Assumes: the draw was blind to the decision, everything drawn was looked at, and the person was right. Each
    presentation's chance of an error, given all earlier ones, is at most the limit while the limit holds.
    """
    drawn = [line for line in lines if line.audit]
    looked_at = [line for line in drawn if line.presentation_id in found]
    limited = sum(_limit(rule) is not None for rule in policy.classes)
    each = delta / max(1, limited)
    by_class: dict[str, list[LogLine]] = {code: [] for code in policy.codes}
    for line in looked_at:
        by_class.get(found[line.presentation_id], []).append(line)
    return AuditReport(
        drawn=len(drawn),
        looked_at=len(looked_at),
        outside_the_draw=len(found) - len(looked_at),
        classes=tuple(_class_audit(rule, by_class[rule.code], each) for rule in policy.classes),
    )


def what_alarms_stop(report: AuditReport) -> tuple[float | None, float | None]:
    """The two gate cutoffs while alarms stand: infinite where nothing may pass, or be rejected; None for no change.

    One score serves all classes, so a class that is no longer safe to pass cannot be told from the others at the
    gate; only recalibration on new fish lifts this.
    """
    kinds = {one.kind for one in report.alarms}
    return (-math.inf if "miss" in kinds else None, math.inf if "false rejection" in kinds else None)


def _class_audit(rule: ClassRule, lines: Sequence[LogLine], delta: float) -> ClassAudit:
    kind: ErrorKind = "miss" if rule.policy == "exclude" else "false rejection"
    wrong = Action.PASS if kind == "miss" else Action.REJECT
    errors, limit = sum(line.action is wrong for line in lines), _limit(rule)
    low, upper = anytime_interval(errors, len(lines), delta=delta)
    return ClassAudit(
        code=rule.code,
        kind=kind,
        n=len(lines),
        errors=errors,
        low=low,
        upper=upper,
        limit=limit,
        delta=delta,
        alarm=limit is not None and has_alarm(errors, len(lines), limit=limit, delta=delta),
    )


def _limit(rule: ClassRule) -> float | None:
    return rule.miss_limit if rule.policy == "exclude" else rule.false_rejection_limit
