"""The reference cases of a package replayed on this computer: by Python, by the model, by the compiled C header.

Each function gives a sentence for the report, raises :class:`~passage_cv.errors.InputError` with what differs, or
:class:`NotMade` where this computer has no tool for the question.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import decide, unfamiliarity_of
from passage_cv.errors import InputError
from passage_cv.gate.code_check import (
    COMPILERS,
    GRAMMAR,
    Answer,
    Question,
    answer_in_c,
    describe_compiler,
    find_compiler,
    find_syntax_errors,
    has_grammar,
)
from passage_cv.gate.codes import ACTION_CODES, reason_code
from passage_cv.gate.format import C_HEADER, LOGIT_CASES, LOGIT_TOLERANCE, STRUCTURED_TEXT
from passage_cv.gate.pictures import PictureCase, read_picture_cases
from passage_cv.gate.reference import read_logit_cases, same_score
from passage_cv.gate.runtime import Package
from passage_cv.gate.views import Logits, Sight, look_at_pictures
from passage_cv.progress import Progress, silent, tracked
from passage_cv.recognition.view_kinds import KINDS

SHOWN_PROBLEMS = 10


class NotMade(Exception):
    """A check that this computer has no tool for; the text names the tool."""


def logits_agree(package: Package, progress: Progress = silent) -> tuple[bool, str]:
    """Every listed logit decided again: same action, same reason, same score but for the last bits."""
    path = package.folder / LOGIT_CASES
    cases = read_logit_cases(path, package.cutoffs.classes)
    wrong = []
    for case in tracked(cases, "Deciding reference logits", progress):
        made = case.decide(package.cutoffs)
        if not case.agrees(made):
            wrong.append(
                f"{case.case} ({case.note}): {made.action} at {made.score!r}, listed {case.action} {case.score!r}"
            )
    require_none(wrong, where=str(path), do="Do not use this package on this computer; report its processor.")
    return True, f"{len(cases)} cases, every score and action as listed"


def pictures_agree(package: Package, progress: Progress = silent) -> tuple[bool, str]:
    """Every reference picture through decoding, crop, model and decision."""
    cases = read_picture_cases(package.folder, package.cutoffs.classes)
    wrong, largest = [], 0.0
    for case in tracked(cases, "Replaying reference pictures", progress):
        sight = look_at_pictures(picture_bytes(package, case), package.model, package.crop)
        off = _difference(sight, case)
        largest = max(largest, off)
        if not off <= LOGIT_TOLERANCE:
            wrong.append(f"{case.presentation}: logits differ by {off:.3g}, allowed {LOGIT_TOLERANCE:g}")
        elif _is_clear(case, package.cutoffs):
            far = unfamiliarity_of(sight.logits, package.cutoffs, said=sight.unfamiliarity)
            views = sight.logits.astype(np.float64)
            made = decide(views, package.cutoffs, hold_reason=sight.held, unfamiliarity=far)
            if made.action is not case.action:
                wrong.append(f"{case.presentation}: {made.action}, listed {case.action}")
    require_none(wrong, where=str(package.folder), do="Do not use this package on this computer.")
    return True, f"{len(cases)} presentations, same actions, logits within {largest:.2g}"


def picture_bytes(package: Package, case: PictureCase) -> list[bytes]:
    """The pictures of one reference presentation."""
    return [(package.folder / name).read_bytes() for name in case.files]


def _difference(sight: Sight, case: PictureCase) -> float:
    """Largest difference in logits, and in the unfamiliarity of the views where it is listed."""
    of_logits = _largest_difference(sight.logits, case.logits)
    if case.said is None:
        return of_logits
    return float(np.maximum(of_logits, _largest_difference(sight.unfamiliarity, case.said)))


def _largest_difference(found: Logits | None, listed: Logits) -> float:
    """Largest absolute difference; infinite where shapes differ, not a number where a value is none."""
    if found is None or found.shape != listed.shape:
        return math.inf
    return float(np.max(np.abs(found.astype(np.float64) - listed)))


def _is_clear(case: PictureCase, cutoffs: Cutoffs) -> bool:
    """Whether score and unfamiliarity are farther than eps from every cutoff, so that the action must be equal."""
    edges = [float(edge) for edge in (cutoffs.gate_u, cutoffs.gate_v) if math.isfinite(edge)]
    level, far = cutoffs.gate_unfamiliarity, case.unfamiliarity(cutoffs)
    is_far = level is None or abs(far - level) > cutoffs.eps
    return is_far and all(abs(case.score - edge) > cutoffs.eps for edge in edges)


def c_header_agrees(package: Package) -> tuple[bool, str]:
    """The compiled header's action and reason for every case, and its score but for the last bits."""
    compiler, cutoffs = find_compiler(), package.cutoffs
    if not compiler:
        raise NotMade(f"there is no C compiler ({', '.join(COMPILERS)}); make it where there is one")
    asked = [*_logit_questions(package), *_picture_questions(package)]
    with_unfamiliarity = cutoffs.hold_rules.unfamiliarity_above is not None
    header = package.folder / C_HEADER
    found = answer_in_c(header, [one for _, one, _ in asked], with_unfamiliarity=with_unfamiliarity)
    wrong = [
        f"{name}: action {answer.action}, reason {answer.reason}, score {answer.score!r}; "
        f"listed {listed.action}, {listed.reason}, {listed.score!r}"
        for (name, _, listed), answer in zip(asked, found, strict=True)
        if not _same_answer(answer, listed)
    ]
    require_none(wrong, where=str(header), do="Do not use this header with this compiler; report both.")
    return True, f"{len(asked)} cases, same action, reason and score, by {describe_compiler(compiler)}"


def _logit_questions(package: Package) -> Iterator[tuple[str, Question, Answer]]:
    for case in read_logit_cases(package.folder / LOGIT_CASES, package.cutoffs.classes):
        listed = Answer(ACTION_CODES[case.action], reason_code(case.reason), case.score)
        far = case.unfamiliarity(package.cutoffs)
        yield case.case, Question(case.logits, reason_code("", case.hold_reason), far), listed


def _picture_questions(package: Package) -> Iterator[tuple[str, Question, Answer]]:
    """The reference pictures' listed logits; the header knows no picture."""
    for case in read_picture_cases(package.folder, package.cutoffs.classes):
        listed = Answer(ACTION_CODES[case.action], reason_code(case.reason), case.score)
        logits = case.logits.astype(np.float64)
        held = reason_code("", case.reason) if case.reason in KINDS else 0
        yield case.presentation, Question(logits, held, case.unfamiliarity(package.cutoffs)), listed


def _same_answer(found: Answer, listed: Answer) -> bool:
    same = (found.action, found.reason) == (listed.action, listed.reason)
    return same and same_score(found.score, listed.score)


def structured_text_parses(package: Package) -> tuple[bool, str]:
    """The Structured Text against the grammar; syntax alone."""
    if not has_grammar():
        raise NotMade(f"the grammar is not installed ({', '.join(GRAMMAR)})")
    path = package.folder / STRUCTURED_TEXT
    text = path.read_text(encoding="utf-8")
    lines = find_syntax_errors(text)
    require_none([f"line {number} is no Structured Text" for number in lines], where=str(path), do="Export again.")
    return True, f"{len(text.splitlines())} lines parse; syntax only, no controller has run it"


def require_none(problems: Sequence[str], *, where: str, do: str) -> None:
    """Refuse with the first few problems, if there are any."""
    if problems:
        more = len(problems) - SHOWN_PROBLEMS
        text = "; ".join(problems[:SHOWN_PROBLEMS]) + (f"; and {more} more" if more > 0 else "")
        raise InputError(text, where=where, do=do)
