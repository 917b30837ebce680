"""Costs by asking: a sheet of trade-offs for people to fill in, and what their answers say together.

Comes in: a policy, then the filled sheet. Goes out: a range per cost with the names and dates behind it, and where
two answers contradict each other. Nobody's answer is dropped and none is averaged away; nothing is decided here.
"""

from __future__ import annotations

import json
import math
from datetime import date
from pathlib import Path
from statistics import median
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from passage_cv.config import Settings, read_settings
from passage_cv.errors import InputError
from passage_cv.policy import ClassRule, Policy

Worth = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Kind = Literal["error", "hold", "against"]


class Answer(Settings):
    """What one person said on one day: the least and the most that is fair to them, and the likeliest."""

    by: Annotated[str, Field(min_length=1)]
    on: date
    low: Worth
    likely: Worth
    high: Worth
    because: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.low <= self.likely <= self.high:
            raise ValueError(
                f"{self.by}: low {self.low:g}, likely {self.likely:g}, high {self.high:g} are not in order"
            )
        return self


class Question(Settings):
    """One trade-off.

    ``error`` is the wrong final action on a class and ``hold`` holding one of it, both counted in held fish of the
    ordinary kind; ``against`` counts the error in wrong actions on class ``against``, and only checks the others.
    """

    about: str
    kind: Kind
    against: str = ""
    text: Annotated[str, Field(min_length=1)]
    answers: tuple[Answer, ...] = ()


class CostSheet(Settings):
    """A filled sheet."""

    format: Literal[1]
    site: str
    questions: tuple[Question, ...]


class CostRange(Settings):
    """The span of all answers to a question, the median of the likely ones, and who gave them when."""

    about: str
    kind: Kind
    against: str
    low: float
    likely: float
    high: float
    people: tuple[str, ...]


def draft_sheet(policy: Policy) -> str:
    """The sheet as TOML for people to fill in: a question per class, and a few that check the answers.

    Examples
    --------
    >>> from passage_cv.config import configs_folder
    >>> from passage_cv.policy import read_policy
    >>> text = draft_sheet(read_policy(configs_folder() / "policy" / "quillmarsh.toml"))
    >>> "How many held fish weigh as one Channa argus (NSH) let through?" in text
    True
    """
    held = "held fish"
    common = max(policy.in_group("pass", "protected"), key=lambda rule: policy.shares[rule.code])
    questions = [
        *(
            _question(rule, "error", f"How many {held} weigh as one {_name(rule)} {_wrong(rule)}?")
            for rule in policy.classes
        ),
        *(
            _question(rule, "hold", f"How many ordinary {held} weigh as holding one {_name(rule)}?")
            for rule in policy.in_group("protected")
        ),
        *(
            _question(
                rule,
                "against",
                f"How many {_name(common)} {_wrong(common)} weigh as one {_name(rule)} let through?",
                against=common.code,
            )
            for rule in policy.in_group("exclude")
        ),
    ]
    return _HEAD.format(site=policy.site, reject_to=policy.reject_to) + "\n".join(questions)


def read_sheet(path: Path, policy: Policy) -> CostSheet:
    """Read a filled sheet.

    Raises
    ------
    InputError
        If a key is wrong, a question is about no class of the policy, or nobody has answered anything.
    """
    sheet = read_settings(path, CostSheet)
    for question in sheet.questions:
        for code in (question.about, question.against):
            if code and code not in policy.codes:
                raise InputError(
                    f"Question {question.text!r} is about {code!r}, the policy has {', '.join(policy.codes)}",
                    where=str(path),
                    do="Correct the code.",
                )
    if not any(question.answers for question in sheet.questions):
        raise InputError("No question has an answer", where=str(path), do="Fill in [[questions.answers]] blocks.")
    return sheet


def cost_ranges(sheet: CostSheet) -> tuple[CostRange, ...]:
    """One range per answered question."""
    return tuple(_range(question) for question in sheet.questions if question.answers)


def contradictions(ranges: tuple[CostRange, ...]) -> tuple[str, ...]:
    """Where a direct comparison of two classes cannot be squared with their separate answers."""
    errors = {one.about: one for one in ranges if one.kind == "error"}
    lines = []
    for check in (one for one in ranges if one.kind == "against"):
        first, second = errors.get(check.about), errors.get(check.against)
        if first is None or second is None:
            continue
        low, high = first.low / second.high, first.high / second.low
        if check.high < low or check.low > high:
            lines.append(
                f"One {check.about} against {check.against}: asked directly {check.low:g} to {check.high:g}, "
                f"from the separate answers {low:.3g} to {high:.3g}. Ask {', '.join(check.people)} again."
            )
    return tuple(lines)


def _range(question: Question) -> CostRange:
    answers = question.answers
    return CostRange(
        about=question.about,
        kind=question.kind,
        against=question.against,
        low=min(answer.low for answer in answers),
        likely=math.exp(median(math.log(answer.likely) for answer in answers)),
        high=max(answer.high for answer in answers),
        people=tuple(f"{answer.by} {answer.on}" for answer in answers),
    )


def _question(rule: ClassRule, kind: Kind, text: str, *, against: str = "") -> str:
    """One block of the sheet; JSON and TOML write such strings alike."""
    values = {"about": rule.code, "kind": kind, "against": against, "text": text}
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values.items() if value]
    return "\n".join(["[[questions]]", *lines, ""])


def _name(rule: ClassRule) -> str:
    return f"{rule.scientific_name} ({rule.code})"


def _wrong(rule: ClassRule) -> str:
    return "let through" if rule.policy == "exclude" else "rejected"


_HEAD = """\
# What is each mistake worth? For people who answer for this site to fill in, each by themselves first.
# Everything is counted in held fish: one fish kept until a person has looked at it, with the delay and the work that
# this means, is 1. Rejected fish of this site go to: {reject_to}.
#
# Say the least and the most that you would still call fair, and what you find likeliest. Keep your name and the date:
# the range is kept, not only the middle. Leave out what you cannot answer. Copy this block below a question:
#
#   [[questions.answers]]
#   by = "initials"
#   on = 2031-04-02
#   low = 5
#   likely = 20
#   high = 50
#   because = "one line, for those who come after you"
#
# Three ways to think about it. A fish held is a fish delayed: how many delayed ones would you accept to avoid the
# mistake once? What does it cost to put the mistake right, if it can be? Would you say the same of the tenth as of
# the first? Costs say nothing about limits: a limit is kept whatever the costs are.
format = 1
site = "{site}"

"""
