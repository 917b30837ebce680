"""Proof tests: a person tries a function of the real gate, writes down how it went, and must do so again in time.

Comes in: the events of a gate log and the site's list of functions. Goes out: when each was tried last, and whether
it is overdue. A function that was never tried, or failed when it was, is as overdue as an old one.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from passage_cv.errors import InputError
from passage_cv.files import canonical_json
from passage_cv.gate.site import ProofTest
from passage_cv.service.log import Event, GateLog

PROOF = "proof test"


@dataclass(frozen=True, slots=True)
class ProofState:
    """One function: when and by whom it was tried last (``""``: never), how that went, and when it is due again."""

    function: str
    every_days: float
    last: str
    by: str
    passed: bool
    due: str
    ok: bool


def note_proof(
    log: GateLog, function: str, known: Sequence[ProofTest], *, passed: bool, remark: str, time: str, by: str
) -> None:
    """Write down how a proof test went.

    Raises
    ------
    InputError
        If the site has no such function.
    """
    names = [one.function for one in known]
    if function not in names:
        raise InputError(
            f"{function!r} is no function of this site: {'; '.join(names) or 'it names none'}",
            where="site file, [[proof_tests]]",
            do="Give one of them, or add it to the site file.",
        )
    told = {"function": function, "passed": passed, "remark": remark}
    log.add_event(time=time, kind=PROOF, detail=canonical_json(told).decode(), by=by)


def proof_tests(events: Iterable[Event], known: Sequence[ProofTest], *, now: datetime) -> tuple[ProofState, ...]:
    """Where each function stands at a moment."""
    last: dict[str, tuple[Event, bool]] = {}
    for event in events:
        if event.kind == PROOF:
            told = json.loads(event.detail)
            last[told["function"]] = event, bool(told["passed"])
    return tuple(_state(one, last.get(one.function), now) for one in known)


def _state(one: ProofTest, found: tuple[Event, bool] | None, now: datetime) -> ProofState:
    if found is None:
        return ProofState(one.function, one.every_days, "", "", passed=False, due="now", ok=False)
    event, passed = found
    due = datetime.fromisoformat(event.time) + timedelta(days=one.every_days)
    return ProofState(
        function=one.function,
        every_days=one.every_days,
        last=event.time,
        by=event.by,
        passed=passed,
        due=due.isoformat(timespec="seconds") if passed else "now",
        ok=passed and now <= due,
    )
