"""How the report says numbers: percents that never flatter, limits as sentences that an engineer can sign."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from passage_cv.decision.cutoffs_file import Cutoffs, LimitShown
from passage_cv.decision.demands import POOLED
from passage_cv.decision.rule import UNFAMILIAR
from passage_cv.evaluation.holds import UnfamiliarHolds
from passage_cv.evaluation.misses import ClassCount


@dataclass(frozen=True, slots=True)
class Names:
    """Class code to the name people read."""

    full: Mapping[str, str]

    def of(self, code: str) -> str:
        """The full name, or the code where there is none."""
        return self.full.get(code, code)

    def both(self, code: str) -> str:
        """The full name with the code in brackets, or the code alone."""
        return f"{self.full[code]} ({code})" if code in self.full else code


def percent(rate: float, *, up: bool = False, down: bool = False) -> str:
    """A rate as text, two significant digits at least; an upper limit goes up, a lower limit or confidence down.

    Examples
    --------
    >>> percent(0.0495076, up=True), percent(0.049, up=True), percent(0.0), percent(1.0)
    ('4.96 %', '4.90 %', '0 %', '100 %')
    >>> percent(0.9875), percent(0.9875, down=True), percent(0.975, down=True)
    ('98.8 %', '98.7 %', '97.5 %')
    """
    value = 100 * rate
    if value in (0, 100):
        return f"{value:.0f} %"
    places = 1 if value >= 10 else 2 if value >= 0.1 else 3
    scaled = value * 10**places
    # the tiny step keeps an exact 4.9 from becoming 4.91 or 4.89 through its binary form
    whole = math.ceil(scaled - 1e-9) if up else math.floor(scaled + 1e-9) if down else round(scaled)
    return f"{whole / 10**places:.{places}f} %"


def interval(bounds: tuple[float, float]) -> str:
    """An interval as text, its ends rounded outward.

    Examples
    --------
    >>> interval((0.0, 0.0606089)), interval((0.00248, 0.0346666))
    ('0 % to 6.07 %', '0.24 % to 3.47 %')
    """
    return f"{percent(bounds[0], down=True)} to {percent(bounds[1], up=True)}"


def plain_percent(rate: float) -> str:
    """A number that a person set, as they set it.

    Examples
    --------
    >>> plain_percent(0.05), plain_percent(0.005), plain_percent(0.975)
    ('5 %', '0.5 %', '97.5 %')
    """
    return f"{100 * rate:.10g} %"


def limit_sentence(limit: LimitShown, names: Names) -> str:
    """One limit in words that an engineer can sign."""
    who = "The excluded classes together" if limit.class_ == POOLED else names.both(limit.class_)
    error = "rejected" if limit.kind == "false rejection" else "passed"
    basis = f"{limit.n} individuals of {limit.trips} trips" if limit.trips else f"{limit.n} individuals"
    confidence = percent(limit.confidence, down=True)
    if not limit.met:
        return (
            f"{who}: not shown. {basis} in role cut cannot show {plain_percent(limit.limit)} at {confidence} "
            f"confidence; image about {limit.missing_to_image} more."
        )
    mix = ", for the mix of excluded classes as it was imaged" if limit.kind == "pooled miss" else ""
    return (
        f"{who}: with at least {confidence} confidence at most {plain_percent(limit.limit)} are {error} "
        f"({limit.assumes}{mix}). Shown on {basis}; up to {limit.k - 1} of them may lie beyond the cutoff."
    )


def verdict(cutoffs: Cutoffs) -> str:
    """The first sentence of the report: what was shown of what was asked."""
    asked, unmet = len(cutoffs.asked), len(cutoffs.unmet)
    if not asked:
        return "The policy asks for no limit, so none is claimed; the cutoffs only minimise expected cost."
    if not unmet:
        return f"All {asked} limits that the policy asks for were shown." if asked > 1 else "The one limit was shown."
    return f"{unmet} of {asked} limits could not be shown."


def count_sentence(count: ClassCount) -> str:
    """A row of counts as a sentence, with its interval.

    Examples
    --------
    >>> count_sentence(ClassCount("all excluded", "exclude", 250, 9, 3, 7, 240, 0.95))
    '3 of 250 excluded fish were passed (1.20 %; 0.24 % to 3.47 %).'
    """
    names = {"exclude": "excluded", "protected": "protected", "pass": "other wanted", "unknown": "unknown"}
    error = {"exclude": "passed", "unknown": "not held"}.get(count.group, "rejected")
    if count.rate is None:
        return f"No {names[count.group]} fish was met."
    return (
        f"{count.errors} of {count.shown} {names[count.group]} fish were {error} "
        f"({percent(count.rate)}; {interval(count.interval)})."
    )


def unfamiliar_sentence(count: UnfamiliarHolds) -> str:
    """What holding unfamiliar fish costs in known ones, as a sentence.

    Examples
    --------
    >>> said = unfamiliar_sentence(UnfamiliarHolds("cut", known=400, held=12, only_for_it=8, share=0.025))
    >>> said[:81]
    'Of 400 cut fish of known classes 12 are held as unlike anything the model was sho'
    >>> said[81:]
    'wn, 8 of them only for that (2.50 % at the expected shares).'
    """
    return (
        f"Of {count.known} {count.role} fish of known classes {count.held} are held as {UNFAMILIAR}, "
        f"{count.only_for_it} of them only for that ({percent(count.share)} at the expected shares)."
    )


def cutoff_text(value: float | None, nothing: str) -> str:
    """A cutoff for a table, or what its absence means."""
    return nothing if value is None else f"{value:.3f}"
