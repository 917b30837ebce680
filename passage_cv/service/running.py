"""Did the last run end, or was it cut off: why a gate never starts by itself when power returns.

A run that commands writes ``start`` and, when a person ends it, ``end``. Between them it may be killed, lose its
power or stop in a fault; then a person has to look at the gate and write ``reset`` before anything commands again.
"""

from __future__ import annotations

from collections.abc import Sequence

from passage_cv.errors import InputError
from passage_cv.service.log import Event

START, END, RESET, FAULT_EVENT = "start", "end", "reset", "fault"
LIVE, SHADOW_RUN = "live", "shadow"


def unfinished(events: Sequence[Event]) -> Event | None:
    """The start of a commanding run that neither ended nor was reset, None where there is none."""
    open_start: Event | None = None
    for event in events:
        if event.kind == START and event.detail.startswith(LIVE):
            open_start = event
        elif event.kind in (END, RESET):
            open_start = None
    return open_start


def require_finished(events: Sequence[Event], where: str) -> None:
    """Refuse a start after a run that was cut off.

    Raises
    ------
    InputError
        If the last commanding run did not end and nobody has reset it.
    """
    start = unfinished(events)
    if start is None:
        return
    later = [event for event in events if event.line > start.line and event.kind == FAULT_EVENT]
    how = f"ended in a fault ({later[-1].detail})" if later else "was cut off"
    raise InputError(
        f"The run that {start.by or 'somebody'} started at {start.time} {how}",
        where=where,
        do="Look at the gate, then write 'passage-cv gate reset' with your initials; nothing starts by itself.",
    )
