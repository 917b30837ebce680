"""The engineer's page of a gate package: what was shown, on what, how to check it, and what a fault does.

One plain HTML file without scripts or outside parts, to be read at the cabinet and printed.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from importlib.metadata import version as installed_version

from jinja2 import Environment, PackageLoader, StrictUndefined

from passage_cv.decision.cutoffs_file import Cutoffs, LimitShown
from passage_cv.gate.codes import ACTION_CODES, OTHER_HOLD, REASON_CODES
from passage_cv.gate.format import PACKAGE_FORMAT
from passage_cv.gate.pictures import PictureCase
from passage_cv.gate.registers import TABLE
from passage_cv.policy import Policy
from passage_cv.records import Action

FAULTS = (
    ("A picture cannot be opened or decoded", "hold", "the reason names the picture"),
    ("Fewer views than the policy asks for, or none", "hold", "too few views"),
    ("A logit or a score is not a finite number", "hold", "score is not a number"),
    ("Two fish in view, empty view, fish of no known class", "hold", "as told by the caller"),
    ("A set-up on which no limit was shown", "hold", "a new lens, lamp or firmware is a new set-up"),
    ("The model fails", "no decision", "the reason names the error"),
    ("A file is missing, extra or altered", "package refused", "keep the package before it in service"),
    (
        "The line or a picture cannot be written, disk full",
        "no command, safe position",
        "write first, act afterwards",
    ),
    ("Camera stalls, or shows the same frame for ever", "no decision, safe position", "until a person resets"),
    ("The decision comes too late for the fish", "no decision, safe position", "for that fish alone"),
    ("The clock jumps", "no decision, safe position", "until a person resets"),
    ("The controller's heartbeat stops, the link breaks", "no decision, safe position", "both ends go safe"),
    ("A position is not read back in time", "safe position", "until a person resets"),
    (
        "The holding tank is full, or a fish stays in it too long",
        "as the site file says",
        "it has no word for 'through'",
    ),
    ("Power returns, or the program was killed", "off", "no start before a person has written 'gate reset'"),
)
"""Cause, what comes out, remark. Nothing in this table may ever read 'pass'."""

OTHER = "held for a reason in words, see the gate log"

CAUTIONS = (
    "This software advises the plant's controller. It is never the safety function: interlocks, emergency stops, "
    "water-level and manual overrides outrank it, and licensed engineers decide about them.",
    "Lock out and tag out before reaching into gates, conveyors or lifts: water head, springs and air store energy.",
    "Live animals: animal-care approval and collecting, handling, transport and release permits come first; a "
    "protected species needs its own authorisation, and an injury is reportable.",
    "A limit is per presentation. A fish that is turned back and comes again is a new presentation with a new "
    "chance to be missed.",
    "A species that the model never saw has no limit. A new lens, lamp, camera or firmware is a new set-up: nothing "
    "was shown for it.",
)


def render_engineer_page(cutoffs: Cutoffs, policy: Policy, cases: Sequence[PictureCase], n_logit_cases: int) -> str:
    """The page of one package as HTML."""
    environment = Environment(
        loader=PackageLoader("passage_cv.gate"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("engineer.html.j2").render(
        cutoffs=cutoffs,
        policy=policy,
        program=installed_version("passage-cv"),
        format=PACKAGE_FORMAT,
        names={rule.code: rule.scientific_name for rule in policy.classes},
        shown=[describe_limit(limit, policy) for limit in cutoffs.asked if limit.met],
        not_shown=[describe_limit(limit, policy) for limit in cutoffs.asked if not limit.met],
        load=describe_load(cutoffs),
        passes=cutoffs.u is not None,
        rejects=cutoffs.v is not None,
        gate_u=_number(float(cutoffs.gate_u)),
        gate_v=_number(float(cutoffs.gate_v)),
        actions=Counter(case.action for case in cases),
        all_actions=(Action.PASS, Action.HOLD, Action.REJECT),
        n_presentations=len(cases),
        n_pictures=sum(len(case.files) for case in cases),
        n_logit_cases=n_logit_cases,
        faults=FAULTS,
        action_codes={code: action.value for action, code in ACTION_CODES.items()},
        reason_codes=sorted([(code, reason) for reason, code in REASON_CODES.items()] + [(OTHER_HOLD, OTHER)]),
        registers=TABLE,
        cautions=CAUTIONS,
    )


def describe_limit(limit: LimitShown, policy: Policy) -> str:
    """One limit in words, shown or not.

    Confidence is never rounded up and a limit never down: both stand as the cutoffs file has them.
    """
    name = _class_name(limit, policy)
    done, do = ("rejected", "be rejected") if limit.kind == "false rejection" else ("passed", "pass")
    count = f"{limit.n} individuals" + (f" of {limit.trips} trips" if limit.trips else "")
    if limit.met:
        return (
            f"{name}: with at least {_percent(limit.confidence)} confidence at most {_percent(limit.limit)} are "
            f"{done}, {limit.assumes}. Shown on {count}, of which the cutoff may let at most {limit.k - 1} {do}."
        )
    nothing = "nothing is rejected" if limit.kind == "false rejection" else "nothing passes"
    return (
        f"{name}: that at most {_percent(limit.limit)} are {done} could not be shown at "
        f"{_percent(limit.confidence)} confidence; {count} were there and {limit.missing_in_cut} more are needed. "
        f"Therefore {nothing}."
    )


def describe_load(cutoffs: Cutoffs) -> str:
    """How many fish a person must clear, in words; nothing where the cutoffs file does not say."""
    load = cutoffs.hold_load
    if load is None:
        return ""
    said = f"Of all fish that come, about {load.share:.1%} are expected to be held".replace("%", " %")
    if load.per_hour is None:
        return f"{said}; the policy names no hold capacity."
    fits = "within" if load.met else "MORE THAN"
    return (
        f"{said}: {load.per_hour:.1f} of {load.presentations_per_hour:g} in the busiest hour, {fits} what the crew "
        f"can clear ({load.capacity_per_hour:g}). Fish that a camera rule holds come on top. A held fish that is not "
        "cleared is never passed by the program."
    )


def _class_name(limit: LimitShown, policy: Policy) -> str:
    """Name and code of a class, or the words for the excluded classes together."""
    if limit.class_ not in policy.codes:
        return limit.class_[:1].upper() + limit.class_[1:]
    return f"{policy.rule(limit.class_).scientific_name} ({limit.class_})"


def _percent(share: float) -> str:
    return f"{share * 100:.10g} %"


def _number(value: float) -> str:
    return "none" if math.isinf(value) else f"{value:.9g}"
