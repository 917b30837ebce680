"""Invented log lines for tests of audit, drift and status."""

from __future__ import annotations

from dataclasses import replace

from passage_cv.records import Action
from passage_cv.service.log import LogLine

BLANK = LogLine(
    presentation_id="",
    time="",
    site="QMR-KBW-01",
    event="QMR-20310504",
    setup_id="KBW-2",
    camera="cam-1",
    package_id="a" * 64,
    policy_sha256="b" * 64,
    image_sha256s=("c" * 64,),
    image_paths=("images/1.jpg",),
    logits={},
    score=0.0,
    action=Action.HOLD,
    reason="score between the cutoffs",
    hold_reason="",
    latency_ms=10.0,
)


def make_line(number: int, action: Action, *, day: int = 4, **changes: object) -> LogLine:
    """One line; ``day`` of May 2031."""
    return replace(
        BLANK,
        presentation_id=f"P{number:05d}",
        time=f"2031-05-{day:02d}T10:00:00-04:00",
        action=action,
        **changes,  # type: ignore[arg-type]
    )
