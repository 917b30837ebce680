"""Actions and reasons as small numbers, the same on the wire, in C and in Structured Text.

0 is "no decision", so that a register that was never written, and a read that failed, can never mean pass.
"""

from __future__ import annotations

from passage_cv.decision.rule import NOT_A_NUMBER, PROTECTED, UNFAMILIAR
from passage_cv.gate.runtime import FAULT, UNMEASURED
from passage_cv.records import Action

ACTION_CODES = {Action.NO_DECISION: 0, Action.PASS: 1, Action.HOLD: 2, Action.REJECT: 3}

REASON_CODES = {
    "": 0,
    "score below the pass cutoff": 1,
    "score above the reject cutoff": 2,
    "score between the cutoffs": 3,
    "too few views": 10,
    NOT_A_NUMBER: 11,
    UNFAMILIAR: 12,
    PROTECTED: 13,
    "unknown": 14,
    "two fish in view": 15,
    "empty view": 16,
    UNMEASURED: 17,
    "in view too long": 19,
    "track lost": 20,
    "no trigger came": 21,
    "audit alarm": 22,
    "stricter by a person": 23,
    FAULT: 30,
    "deadline missed": 31,
    "camera stalled": 32,
    "picture frozen": 33,
    "log not writable": 34,
    "link lost": 35,
    "clock jumped": 36,
    "package altered": 37,
    "position not confirmed": 38,
    "tank full": 39,
    "self-test not passed": 40,
    "bypassed by a person": 41,
    "controller is off": 42,
}
"""10 to 29 hold a fish, 30 and above are faults of the gate itself."""

OTHER_HOLD = 18
"""A hold for a reason in words only, for example a picture that cannot be decoded."""


def reason_code(reason: str, hold_reason: str = "") -> int:
    """The number of a decision's reason; the hold reason speaks where there is one.

    Examples
    --------
    >>> reason_code("score below the pass cutoff"), reason_code("hold rule", "empty view")
    (1, 16)
    >>> reason_code("hold rule", "damaged JPEG"), reason_code("fault", "model: out of memory")
    (18, 30)
    """
    if reason == FAULT:
        return REASON_CODES.get(hold_reason, REASON_CODES[FAULT])
    return REASON_CODES.get(hold_reason or reason, OTHER_HOLD)
