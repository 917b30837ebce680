"""Who may put which package in service, read from the gate log: what loads, what tightens, how many must have signed.

The log is the record of what is in service. A package loads only while the plant is in local mode at its safe
position. One that allows no more than what is in service needs the signatures that the site asks for; anything
looser, and the first package of all, needs two. Tightening is immediate and one-way: only a package can loosen again.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.gate.runtime import GateDecision, Package
from passage_cv.records import Action
from passage_cv.service.log import Event, GateLog
from passage_cv.service.plant import PlantState, Position

LOAD, TIGHTEN = "load", "tighten"
LOOSER = 2
"""People who must have signed a package that allows more than the one in service."""
NOT_PART_OF_THE_RULE = {
    "created", "author", "policy_sha256", "scores_sha256", "version", "u", "v", "u_cap", "v_floor", "eps",
    "delta_miss", "delta_rejection", "expected_cost", "attempt", "limits", "warnings", "pooled_limit", "hold_load",
}  # fmt: skip
"""Keys of a cutoffs file that change no action once both gate cutoffs are known."""


@dataclass(frozen=True, slots=True)
class InService:
    """What decides at a gate: both gate cutoffs as floats (infinite where nothing is allowed), the rest as a hash.

    ``because`` says what tightened the cutoffs of the package, ``""`` where nothing did.
    """

    package_id: str
    u: float
    v: float
    rest: str
    because: str = ""

    def tightened(self, u: float, v: float, because: str) -> InService:
        """The same with cutoffs that allow no more than either."""
        low, high = min(self.u, u), max(self.v, v)
        return self if (low, high) == (self.u, self.v) else replace(self, u=low, v=high, because=because)

    def allows_no_more_than(self, other: InService) -> bool:
        """Whether every fish that this passes or rejects is passed or rejected by the other too."""
        return self.rest == other.rest and self.u <= other.u and self.v >= other.v


def describe_package(gate: Package) -> InService:
    """What a package brings in service."""
    rule = {k: v for k, v in gate.cutoffs.model_dump(mode="json").items() if k not in NOT_PART_OF_THE_RULE}
    rest = {"rule": rule, "crop": gate.crop.model_dump(mode="json"), "model": gate.manifest.model_sha256}
    return InService(
        package_id=gate.manifest.package_id,
        u=float(gate.cutoffs.gate_u),
        v=float(gate.cutoffs.gate_v),
        rest=sha256_bytes(canonical_json(rest)),
    )


def in_service(events: Iterable[Event], *, hours: str) -> InService | None:
    """What the log says is in service for some hours, tightenings included; None before the first package."""
    found: InService | None = None
    for event in events:
        if event.kind == LOAD and (told := json.loads(event.detail))["hours"] == hours:
            found = InService(told["package_id"], _number(told["u"], -math.inf), _number(told["v"]), told["rest"])
        elif event.kind == TIGHTEN and found:
            told = json.loads(event.detail)
            found = found.tightened(_number(told["u"]), _number(told["v"], -math.inf), told["because"])
    return found


def signatures_needed(new: InService, before: InService | None, at_site: int) -> int:
    """How many different trusted people must have signed.

    Examples
    --------
    >>> now = InService("a", u=-1.0, v=2.0, rest="r")
    >>> [signatures_needed(replace(now, u=u), now, 1) for u in (-2.0, -1.0, -0.5)], signatures_needed(now, None, 1)
    ([1, 1, 2], 2)
    """
    same_or_stricter = before is not None and new.allows_no_more_than(before)
    return at_site if same_or_stricter else max(LOOSER, at_site)


def require_local_and_safe(said: PlantState, where: str) -> None:
    """Packages load only in local mode with the gate at its safe position.

    Raises
    ------
    InputError
        Otherwise, or if the controller does not answer.
    """
    if said.is_alive and said.is_local and said.position is Position.SAFE:
        return
    mode = "local" if said.is_local else "remote" if said.is_remote else "off"
    found = f"in {mode} mode at position {said.position}" if said.is_alive else "not answering"
    raise InputError(
        f"Plant is {found}",
        where=where,
        do="Packages load only in local mode with the gate at its safe position.",
    )


def note_load(log: GateLog, new: InService, *, hours: str, time: str, by: str) -> None:
    """Write down that a package is in service."""
    told = {"hours": hours, "package_id": new.package_id, "rest": new.rest}
    detail = canonical_json({**told, "u": _finite(new.u), "v": _finite(new.v)}).decode()
    log.add_event(time=time, kind=LOAD, detail=detail, by=by)


def note_tighten(log: GateLog, *, u: float | None, v: float | None, because: str, time: str, by: str) -> None:
    """Let a gate allow less from now on.

    Parameters
    ----------
    u, v
        Cutoffs that count where they are stricter than those in service; None changes nothing, an infinite value
        allows nothing.
    """
    told = {"u": _ordered(u), "v": _ordered(v), "because": because}
    log.add_event(time=time, kind=TIGHTEN, detail=canonical_json(told).decode(), by=by)


def require_stricter(
    events: Iterable[Event], *, u: float | None, v: float | None, where: str
) -> tuple[InService, ...]:
    """What would be in service with these cutoffs, for each of the hours.

    Raises
    ------
    InputError
        If no package is in service, or none would allow less.
    """
    told = tuple(events)
    hours = {json.loads(event.detail)["hours"] for event in told if event.kind == LOAD}
    before = [found for name in sorted(hours) if (found := in_service(told, hours=name))]
    after = tuple(one.tightened(math.inf if u is None else u, -math.inf if v is None else v, "") for one in before)
    if list(after) == before:
        allowed = "; ".join(f"passes below {one.u:.6g}, rejects above {one.v:.6g}" for one in before)
        raise InputError(
            f"That is no stricter: {allowed or 'no package is in service'}",
            where=where,
            do="Give stricter cutoffs; only a package that two people signed loosens.",
        )
    return after


def restrict(made: GateDecision, now: InService) -> GateDecision:
    """A decision under what was tightened since: what is no longer allowed is held, and says so."""
    score = np.float32(made.score)
    is_stopped = (made.action is Action.PASS and not score < np.float32(now.u)) or (
        made.action is Action.REJECT and not score > np.float32(now.v)
    )
    if not is_stopped:
        return made
    return replace(made, action=Action.HOLD, reason="hold rule", hold_reason=now.because)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _ordered(value: float | None) -> float | str | None:
    """JSON has no infinity: "nothing" is one, null is no change."""
    return value if value is None or math.isfinite(value) else "nothing"


def _number(value: float | str | None, missing: float = math.inf) -> float:
    if value == "nothing":
        return -missing
    return missing if value is None else float(value)
