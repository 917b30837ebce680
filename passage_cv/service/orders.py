"""What a person asks of a gate that is running, left in its log by another command: stop, bypass, tighten.

The log is the one place that both processes have, and it keeps who asked for what. Nothing can be ordered that lets
more fish pass.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Literal

from passage_cv.errors import InputError
from passage_cv.files import canonical_json
from passage_cv.service.log import Event, GateLog

ORDER = "order"
What = Literal["stop", "bypass"]
LONGEST_BYPASS_S = 12 * 3600.0
"""A bypass ends by itself at the latest after a shift [ours]."""


@dataclass(frozen=True, slots=True)
class Order:
    """One wish; ``seconds`` of a bypass."""

    what: What
    by: str
    reason: str = ""
    seconds: float = 0.0


def write_order(log: GateLog, order: Order, *, time: str) -> None:
    """Leave an order for the running gate.

    Raises
    ------
    InputError
        If nobody is named, or a bypass has no reason or no end within a shift.
    """
    if not order.by:
        raise InputError("Nobody is named", where=str(log.path), do="Give your initials.")
    if order.what == "bypass" and not (order.reason and 0 < order.seconds <= LONGEST_BYPASS_S):
        raise InputError(
            f"A bypass of {order.seconds:g} s for {order.reason or 'no reason'}",
            where=str(log.path),
            do=f"Give a reason and a time of at most {LONGEST_BYPASS_S:g} s.",
        )
    told = {"what": order.what, "reason": order.reason, "seconds": order.seconds}
    log.add_event(time=time, kind=ORDER, detail=canonical_json(told).decode(), by=order.by)


def read_order(event: Event) -> Order | None:
    """The order in an event, None where it is something else."""
    if event.kind != ORDER:
        return None
    told = json.loads(event.detail)
    return Order(what=told["what"], by=event.by, reason=told["reason"], seconds=float(told["seconds"]))
