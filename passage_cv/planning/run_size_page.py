"""What ``plan run-size`` says: estimates with their intervals, the assumptions with a person's answers, the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from passage_cv.planning import figures
from passage_cv.planning.page import Page, Picture, Section, Table
from passage_cv.planning.quantity import Quantity, level, whole
from passage_cv.planning.run_size import ASSUMPTIONS, RunSize

Answers = Mapping[str, bool | None]

_WORDS = {True: "holds", False: "does not hold", None: "not answered"}


def estimate_table(found: Sequence[RunSize]) -> Table:
    """One line per method."""
    return Table(
        ("Method", "Fish", "Standard error", "From", "To", "Confidence", "Different fish seen"),
        [
            (
                one.method,
                whole(one.estimate),
                whole(one.standard_error),
                whole(one.low),
                whole(one.upper),
                level(one.confidence),
                whole(one.known),
            )
            for one in found
        ],
    )


def assumption_table(answers: Answers) -> Table:
    """Each assumption, whether it holds here, and what its breach does."""
    return Table(
        ("What must hold", "Here", "If not"),
        [(ASSUMPTIONS[key][0], _WORDS[answer], ASSUMPTIONS[key][1]) for key, answer in answers.items()],
        words=("What must hold", "Here", "If not"),
    )


def run_size_page(found: Sequence[RunSize], answers: Answers) -> Page:
    """The page of ``plan run-size``."""
    broken = [ASSUMPTIONS[key] for key, answer in answers.items() if answer is False]
    open_ones = [ASSUMPTIONS[key][0] for key, answer in answers.items() if answer is None]
    warnings = [f"Does not hold here: {what} {effect}" for what, effect in broken]
    if open_ones:
        warnings.append(
            f"{len(open_ones)} of {len(answers)} assumptions have not been answered; the numbers stand on them."
        )
    return Page(
        title="How large the run is",
        about="From marked fish that were caught again. Marked and unmarked fish are counted apart throughout.",
        warnings=warnings,
        summary=[_sentence(one) for one in found],
        sections=[
            Section(
                "Estimate",
                tables=(estimate_table(found),),
                quantities=[_quantity(one) for one in found],
                pictures=(
                    Picture(
                        figures.draw_estimates(found),
                        "A dot with a line per method: estimate and interval.",
                        "Estimate and interval. No interval reaches below the number of different fish seen.",
                    ),
                ),
            ),
            Section(
                "What it stands on",
                text=("The answers are the crew's. An interval says nothing about an assumption that is broken.",),
                tables=(assumption_table(answers),),
            ),
        ],
        cautions=("Catching, marking and releasing fish needs permits and animal-care approval first.",),
    )


def _sentence(one: RunSize) -> str:
    return (
        f"{one.method}: about {whole(one.estimate)} fish, between {whole(one.low)} and {whole(one.upper)} with "
        f"{level(one.confidence)} confidence, if the assumptions below hold."
    )


def _quantity(one: RunSize) -> Quantity:
    return Quantity(f"Fish, {one.method}", one.estimate, whole(one.estimate), one.formula, one.source)
