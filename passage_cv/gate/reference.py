"""Reference cases of the decision step: given logits, the score and the action that must come out.

Generated for one cutoffs file: ordinary rows, ties exactly at both gate cutoffs and one float32 step to either
side, values that are not numbers, too few views, and every hold reason a gate gives. The Python gate, the C
header and a site's own code replay the same file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from passage_cv.decision.combine import evidence
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import Decision, decide, unfamiliarity_of
from passage_cv.errors import InputError
from passage_cv.gate.cases import UNFAMILIARITY, read_cases, write_cases
from passage_cv.gate.format import SCORE_TOLERANCE
from passage_cv.policy import Group
from passage_cv.records import Action
from passage_cv.scores import Floats

HOLD_REASONS = ("unknown", "two fish in view", "empty view")
ORDINARY_CASES = 40
SPREAD = 4.0
"""Standard deviation of the ordinary rows' logits: about what a trained head gives [ours]."""
FAR = 30.0
"""A logit that leaves no doubt."""


@dataclass(frozen=True, slots=True)
class LogitCase:
    """Logits of one presentation, shape (n_views, n_classes), and what must come out.

    ``reason`` is the decision's hold reason, or its reason where it was no hold rule. ``said`` is what a model would
    say of the unfamiliarity of the presentation, None where the cutoffs do not take it from the model.
    """

    case: str
    note: str
    logits: Floats
    hold_reason: str
    score: float
    action: Action
    reason: str
    said: float | None = None

    def unfamiliarity(self, cutoffs: Cutoffs) -> float:
        """How unlike everything learnt it looks, under the cutoffs it was made for."""
        return unfamiliarity_of(self.logits, cutoffs) if self.said is None else self.said

    def decide(self, cutoffs: Cutoffs) -> Decision:
        """The case decided once more."""
        far = self.unfamiliarity(cutoffs)
        return decide(self.logits, cutoffs, hold_reason=self.hold_reason, unfamiliarity=far)

    def agrees(self, decision: Decision) -> bool:
        """Whether a decision is this one: same action, same reason, same score but for the last bits."""
        return (
            decision.action is self.action
            and stated_reason(decision) == self.reason
            and same_score(decision.score, self.score)
        )


def stated_reason(decision: Decision) -> str:
    """The hold rule that spoke, else which cutoff the score met."""
    return decision.hold_reason or decision.reason


def same_score(found: float, listed: float) -> bool:
    """Equal but for the last bits of exp and log; what is not a number equals itself.

    Examples
    --------
    >>> same_score(float("nan"), float("nan")), same_score(0.1 + 0.2, 0.3), same_score(0.3, 0.3001)
    (True, True, False)
    """
    if math.isnan(listed) or math.isinf(listed):
        return math.isnan(found) if math.isnan(listed) else found == listed
    return abs(found - listed) <= SCORE_TOLERANCE * max(1.0, abs(listed))


def build_logit_cases(cutoffs: Cutoffs) -> tuple[LogitCase, ...]:
    """Every reference case for one cutoffs file, always the same ones for the same file."""
    given = [
        *_ordinary(cutoffs),
        *_ties(cutoffs),
        *_not_numbers(cutoffs),
        *_too_few(cutoffs),
        *_held(cutoffs),
    ]
    familiar = _familiar(cutoffs)
    told = [*((*one, familiar) for one in given), *_unfamiliar(cutoffs)]
    return tuple(_case(f"L{number:03d}", *one, cutoffs) for number, one in enumerate(told, start=1))


def logits_with_score(cutoffs: Cutoffs, score: np.float32) -> Floats:
    """The fewest views allowed, all alike, whose float32 score is exactly ``score``.

    A common step on the excluded classes' logits moves the score by beta (and the worth of the views) times
    that step, so a division and a few corrections find it. Protected classes stand far below, so that no
    protection rule hides the tie; where logits tell unfamiliarity, so do all but one excluded and one wanted class.

    Raises
    ------
    InputError
        If no logits reach the score.
    """
    excluded, protected = _in_group(cutoffs, "exclude"), _in_group(cutoffs, "protected")
    hidden = protected if (~excluded & ~protected).any() else np.zeros_like(protected)
    if cutoffs.gate_unfamiliarity is not None and not _is_said(cutoffs):
        hidden = _all_but_two(excluded, hidden)
    n_views = max(1, cutoffs.hold_rules.views_min)
    slope = cutoffs.beta * float(evidence(np.array([n_views]), cutoffs.rho)[0])
    step = reached = 0.0
    for _ in range(8):
        logits = np.tile(np.where(excluded, step, 0.0) - FAR * hidden, (n_views, 1))
        reached = decide(logits, cutoffs).score
        if abs(reached - float(score)) <= abs(float(np.spacing(score))) / 8:
            return logits
        step += (float(score) - reached) / slope
    raise InputError(
        f"No logits reach the score {float(score)!r}, nearest {reached!r}",
        where="cutoffs",
        do="Calibrate again; beta or a cutoff is out of all range.",
    )


def _all_but_two(excluded: npt.NDArray[np.bool_], hidden: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """All classes but the first excluded one and the first wanted one that is not hidden."""
    out = np.ones_like(hidden)
    out[np.flatnonzero(excluded)[0]] = out[np.flatnonzero(~excluded & ~hidden)[0]] = False
    return out


def write_logit_cases(cases: tuple[LogitCase, ...], classes: tuple[str, ...]) -> bytes:
    """The cases as CSV: a line per view; a presentation without views has one line with view 0."""
    is_said = any(case.said is not None for case in cases)
    return write_cases(
        _headings(classes, is_said=is_said), (row for case in cases for row in _rows(case, len(classes)))
    )


def read_logit_cases(path: Path, classes: tuple[str, ...]) -> tuple[LogitCase, ...]:
    """Read the cases of one package.

    Raises
    ------
    InputError
        If the headings are not those of these classes, in this order, or a cell cannot be read.
    """
    both = [_headings(classes, is_said=is_said) for is_said in (False, True)]
    return read_cases(path, both, lambda rows: _read_case(rows, classes))


def _rows(case: LogitCase, n_classes: int) -> Iterator[list[str]]:
    told = [repr(case.score), case.action.value, case.reason]
    said = [] if case.said is None else [repr(case.said)]
    views = [[repr(value) for value in row] for row in case.logits.tolist()]
    for number, cells in enumerate(views or [[""] * n_classes], start=1 if views else 0):
        yield [case.case, case.note, str(number), case.hold_reason, *said, *cells, *told]


def _headings(classes: tuple[str, ...], *, is_said: bool) -> list[str]:
    return [
        "case",
        "note",
        "view",
        "hold_reason",
        *([UNFAMILIARITY] if is_said else []),
        *(f"logit:{name}" for name in classes),
        "score",
        "action",
        "reason",
    ]


def _read_case(rows: list[dict[str, str]], classes: tuple[str, ...]) -> LogitCase:
    first = rows[0]
    views = [[float(row[f"logit:{name}"]) for name in classes] for row in rows if row["view"] != "0"]
    return LogitCase(
        case=first["case"],
        note=first["note"],
        logits=np.array(views, dtype=np.float64).reshape(len(views), len(classes)),
        hold_reason=first["hold_reason"],
        score=float(first["score"]),
        action=Action(first["action"]),
        reason=first["reason"],
        said=float(first[UNFAMILIARITY]) if UNFAMILIARITY in first else None,
    )


def _case(name: str, note: str, logits: Floats, hold_reason: str, said: float | None, cutoffs: Cutoffs) -> LogitCase:
    asked = LogitCase(name, note, logits, hold_reason, math.nan, Action.HOLD, "", said)
    made = asked.decide(cutoffs)
    return replace(asked, score=made.score, action=made.action, reason=stated_reason(made))


Given = Iterator[tuple[str, Floats, str]]


def _is_said(cutoffs: Cutoffs) -> bool:
    """Whether the cutoffs take unfamiliarity from the model, so that no logits tell it."""
    return cutoffs.gate_unfamiliarity is not None and cutoffs.hold_rules.unfamiliarity_from == "model"


def _familiar(cutoffs: Cutoffs) -> float | None:
    """What a model would say of an ordinary fish, just at the gate's level, where it is asked."""
    return cutoffs.gate_unfamiliarity if _is_said(cutoffs) else None


def _ordinary(cutoffs: Cutoffs) -> Given:
    rng = np.random.default_rng(int(cutoffs.policy_sha256[:8], 16))
    for _ in range(ORDINARY_CASES):
        n_views = int(rng.integers(cutoffs.views.min, cutoffs.views.max + 1))
        yield "ordinary", rng.normal(0.0, SPREAD, (n_views, len(cutoffs.classes))), ""
    for place, name in enumerate(cutoffs.classes):
        yield f"plainly {name}", np.where(np.arange(len(cutoffs.classes)) == place, FAR, 0.0)[None], ""


def _ties(cutoffs: Cutoffs) -> Given:
    for name, cutoff in (("pass", cutoffs.gate_u), ("reject", cutoffs.gate_v)):
        if not np.isfinite(cutoff):
            continue
        for where, score in (
            (f"one step below the {name} cutoff", np.nextafter(cutoff, np.float32(-math.inf))),
            (f"exactly at the {name} cutoff", cutoff),
            (f"one step above the {name} cutoff", np.nextafter(cutoff, np.float32(math.inf))),
        ):
            yield where, logits_with_score(cutoffs, score), ""


def _not_numbers(cutoffs: Cutoffs) -> Given:
    for value in (math.nan, math.inf, -math.inf):
        for place in (0, len(cutoffs.classes) - 1):
            logits = _passing(cutoffs)
            logits[0, place] = value
            yield f"{value} for {cutoffs.classes[place]}", logits, ""
        yield f"{value} everywhere", np.full((1, len(cutoffs.classes)), value), ""


def _too_few(cutoffs: Cutoffs) -> Given:
    for n_views in sorted({0, cutoffs.hold_rules.views_min - 1}):
        yield (
            f"{n_views} views of at least {cutoffs.hold_rules.views_min}",
            _passing(cutoffs)[:1].repeat(n_views, axis=0),
            "",
        )


def _held(cutoffs: Cutoffs) -> Given:
    for reason in HOLD_REASONS:
        yield "would pass", _passing(cutoffs), reason
        yield "would be rejected", -_passing(cutoffs), reason


def _unfamiliar(cutoffs: Cutoffs) -> Iterator[tuple[str, Floats, str, float | None]]:
    """Where the cutoffs hold by unfamiliarity: logits that speak for no class, or a model that says so of any."""
    level = cutoffs.gate_unfamiliarity
    if level is None:
        return
    if not _is_said(cutoffs):
        views = max(1, cutoffs.hold_rules.views_min)
        yield "no class stands out", np.zeros((views, len(cutoffs.classes))), "", None
        return
    for note, said in (
        ("one step below the unfamiliarity", np.nextafter(level, -math.inf)),
        ("one step above the unfamiliarity", np.nextafter(level, math.inf)),
        ("unfamiliarity is infinite", math.inf),
        ("unfamiliarity is not a number", math.nan),
    ):
        yield f"{note}, would pass", _passing(cutoffs), "", float(said)
        yield f"{note}, would be rejected", -_passing(cutoffs), "", float(said)


def _passing(cutoffs: Cutoffs) -> Floats:
    """Logits of a plainly wanted fish, as many views of it as are needed."""
    return np.tile(np.where(_in_group(cutoffs, "exclude"), -FAR, 0.0), (max(1, cutoffs.hold_rules.views_min), 1))


def _in_group(cutoffs: Cutoffs, group: Group) -> npt.NDArray[np.bool_]:
    return np.array([cutoffs.groups[name] == group for name in cutoffs.classes])
