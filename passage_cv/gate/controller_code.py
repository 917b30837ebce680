"""The score-and-compare step as code for a site's own computer: a C99 header and IEC 61131-3 Structured Text.

Generated for one cutoffs file, numbers written so that they read back exactly. What the two must answer lies in
``reference/logits.csv``; they decide nothing that :func:`passage_cv.decision.rule.decide` does not.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import PROTECTED, UNFAMILIAR
from passage_cv.gate.codes import ACTION_CODES, REASON_CODES

NEVER = 2.0
"""No probability reaches it: a class that spares no fish."""


def render_c_header(cutoffs: Cutoffs, cutoffs_sha256: str) -> str:
    """``passage_gate.h`` for one cutoffs file: C99, no allocation, math.h only."""
    return _render("passage_gate.h.j2", cutoffs, cutoffs_sha256, _hex)


def render_structured_text(cutoffs: Cutoffs, cutoffs_sha256: str) -> str:
    """``passage_gate.st`` for one cutoffs file: IEC 61131-3 Structured Text, edition-2 subset."""
    return _render("passage_gate.st.j2", cutoffs, cutoffs_sha256, _decimal)


def identifier(reason: str) -> str:
    """A reason as a name in capitals.

    Examples
    --------
    >>> identifier("two fish in view"), identifier("model: broken")
    ('TWO_FISH_IN_VIEW', 'MODEL_BROKEN')
    """
    return re.sub(r"[^A-Z0-9]+", "_", reason.upper()).strip("_")


def _render(template: str, cutoffs: Cutoffs, cutoffs_sha256: str, number: Callable[[float], str]) -> str:
    environment = Environment(  # noqa: S701 - program text, not a page: escaping would break it
        loader=PackageLoader("passage_cv.gate"), undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    costs, rules = cutoffs.class_costs, cutoffs.hold_rules
    actions = [(identifier(action.value), code) for action, code in ACTION_CODES.items()]
    reasons = [(identifier(reason), code) for reason, code in REASON_CODES.items() if reason]
    return environment.get_template(template).render(
        site=_comment(cutoffs.site),
        policy=cutoffs.policy_sha256[:12],
        model=cutoffs.model[:12],
        created=_comment(cutoffs.created[:10]),
        cutoffs_sha256=cutoffs_sha256,
        n=len(cutoffs.classes),
        classes=cutoffs.classes,
        views_min=rules.views_min,
        views_max=cutoffs.views.max,
        actions=actions,
        reasons=reasons,
        code_of=dict(actions),
        reason_of=dict(reasons),
        unfamiliar_name=identifier(UNFAMILIAR),
        protected_name=identifier(PROTECTED),
        offsets=[number(cutoffs.offsets.get(name, 0.0)) for name in cutoffs.classes],
        log_weights=[number(float(value)) for value in costs.log_weights],
        log_shares=[number(float(value)) for value in np.log(costs.shares)],
        excluded=[int(value) for value in costs.excluded],
        never_reject=bool(rules.never_reject_above),
        spare_from=[number(rules.never_reject_above.get(name, NEVER)) for name in cutoffs.classes],
        unfamiliarity=None if cutoffs.gate_unfamiliarity is None else number(cutoffs.gate_unfamiliarity),
        from_logits=rules.unfamiliarity_from == "logits",
        from_model=rules.unfamiliarity_from == "model",
        log_floor=None if cutoffs.views.floor is None else number(math.log(cutoffs.views.floor)),
        beta=number(cutoffs.beta),
        rho=number(cutoffs.rho),
        passes=cutoffs.u is not None,
        rejects=cutoffs.v is not None,
        gate_u=number(float(cutoffs.gate_u)),
        gate_v=number(float(cutoffs.gate_v)),
        gate_u_text=f"{float(cutoffs.gate_u):.9g}",
        gate_v_text=f"{float(cutoffs.gate_v):.9g}",
    )


def _hex(value: float) -> str:
    """A float64 as C99 hexadecimal: exact, whatever the compiler's decimal conversion does."""
    return float(value).hex()


def _decimal(value: float) -> str:
    """A float64 as a Structured Text literal, with the 17 digits that read back to the same number."""
    return f"{value:.16E}"


def _comment(text: str) -> str:
    """Text that cannot end a comment."""
    return text.replace("*", "").replace("\n", " ")
