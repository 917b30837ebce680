"""What is written and sent about one presentation: the log line, and the verdict in the registers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from passage_cv.gate.codes import ACTION_CODES, reason_code
from passage_cv.gate.registers import Verdict
from passage_cv.gate.runtime import FAULT, GateDecision
from passage_cv.gate.site import Site
from passage_cv.records import Action
from passage_cv.service.audit import is_drawn
from passage_cv.service.forming import Presentation
from passage_cv.service.keeping import Kept
from passage_cv.service.log import LogLine
from passage_cv.service.machine import Fault
from passage_cv.service.packages import Loaded
from passage_cv.service.plant import POSITION_CODES, PlantState, Position


@dataclass(frozen=True, slots=True)
class Advice:
    """One presentation, what was decided on it, where the gate shall stand, whether it is asked to (``moves``)."""

    presentation_id: str
    sequence: int
    shown: Presentation
    made: GateDecision
    position: Position
    moves: bool


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


def log_line(advice: Advice, kept: Kept, loaded: Loaded, site: Site, said: PlantState, now: datetime) -> LogLine:
    """The line of one presentation (format 7)."""
    made, gate = advice.made, loaded.gate
    return LogLine(
        presentation_id=advice.presentation_id,
        time=now.isoformat(timespec="milliseconds"),
        site=site.site,
        event=f"{site.site}-{now:%Y%m%d}",
        setup_id=setup_of(advice.shown, loaded, site),
        camera=site.camera.name,
        package_id=gate.manifest.package_id,
        policy_sha256=gate.manifest.policy_sha256,
        image_sha256s=kept.sha256s,
        image_paths=kept.paths,
        logits={
            code: tuple(float(x) for x in column)
            for code, column in zip(gate.cutoffs.classes, made.logits.T, strict=bool(made.logits.size))
        },
        score=made.score,
        action=made.action,
        reason=made.reason,
        hold_reason=made.hold_reason,
        latency_ms=made.latency_ms,
        unfamiliarity=None if math.isnan(made.unfamiliarity) else made.unfamiliarity,
        attended=loaded.attended,
        live=advice.moves,
        commanded=advice.position.value if advice.moves else "",
        tank_min=float(said.tank_min),
        air_s=said.air_s,
        audit=is_drawn(advice.presentation_id, site.audit),
    )


def verdict_of(advice: Advice, site: Site, now: datetime) -> Verdict:
    """The same for the registers; it is worth as long as a fish needs to reach the gate."""
    made = advice.made
    return Verdict(
        sequence=advice.sequence,
        action=POSITION_CODES[advice.position],
        reason=reason_code(made.reason, made.hold_reason),
        age_limit_ms=max(0, min(0xFFFF, round(site.timing.left_s * 1e3))),
        decided_at=int(now.timestamp()),
        latency_ms=round(made.latency_ms),
    )


def safe_verdict(fault: Fault, sequence: int, now: datetime) -> Verdict:
    """What the registers say while a fault stands."""
    return Verdict(
        sequence=sequence,
        action=ACTION_CODES[Action.NO_DECISION],
        reason=reason_code(FAULT, fault.value),
        age_limit_ms=0xFFFF,
        decided_at=int(now.timestamp()),
        latency_ms=0,
    )


def setup_of(shown: Presentation, loaded: Loaded, site: Site) -> str:
    """The set-up that counts: one on which nothing was shown, if any frame has it, else that of the frames."""
    found = [frame.setup_id for frame in shown.frames] or [site.setup_id]
    return next((name for name in found if name not in loaded.gate.manifest.setup_ids), found[0])
