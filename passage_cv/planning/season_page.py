"""What ``plan season`` says: excluded fish passed, wanted fish delayed, the crew's load, goals, and the page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from passage_cv.planning import figures
from passage_cv.planning.fates import fates
from passage_cv.planning.goals import Goal, goal_of
from passage_cv.planning.page import Page, Picture, Section, Table
from passage_cv.planning.quantity import Quantity, percent, whole
from passage_cv.planning.season import ClassOutcome, Season, SeasonClass, SeasonPlan, coming_of
from passage_cv.policy import Policy

OURS = "Ours; the sums are in planning/fates.py and are tested against fish followed one by one"


def goals_of(plan: SeasonPlan, policy: Policy, *, risk: float) -> tuple[Goal, ...]:
    """Backwards, for every excluded class of the season, at the policy's delta for misses."""
    return tuple(
        goal_of(one, policy.reject_to, delta=policy.deltas[0], risk=risk)
        for one in plan.classes
        if policy.groups[one.code] == "exclude"
    )


def excluded_table(season: Season) -> Table:
    """Excluded fish passed in a season, a line per class."""
    rows = []
    for one, asked in _excluded(season):
        low, median, upper = np.percentile(one.passed, (5, 50, 95))
        rows.append(
            (
                one.code,
                whole(one.came.mean()),
                f"{one.passed.mean():.1f}",
                whole(median),
                f"{whole(low)} to {whole(upper)}",
                percent((one.passed == 0).mean(), digits=1),
                percent(one.has_pair.mean(), digits=1),
                asked.tolerable,
                percent((one.passed > asked.tolerable).mean(), digits=1),
            )
        )
    return Table(
        (
            "Excluded",
            "come",
            "passed, mean",
            "median",
            "9 seasons of 10",
            "chance of none",
            "of a pair or more",
            "tolerable",
            "chance of more",
        ),
        rows,
        caption="Passed by the gate in one season.",
    )


def wanted_table(season: Season) -> Table:
    """Wanted fish delayed or refused in a season, a line per class."""
    rows = [
        (
            one.code,
            whole(one.came.mean()),
            whole(one.passed_first.mean()),
            whole(one.passed_later.mean()),
            whole(one.held.mean()),
            f"{one.gone.mean():.1f}",
            f"{whole(np.percentile(one.gone, 95))}",
        )
        for one in season.in_group("pass", "protected")
    ]
    return Table(
        (
            "Wanted",
            "come",
            "pass at once",
            "pass after a rejection",
            "held, then passed",
            "never pass, mean",
            "95 % point",
        ),
        rows,
        caption="Means over seasons.",
    )


def goal_table(goals: Sequence[Goal]) -> Table:
    """Which miss rate per presentation a tolerable number asks for, and how many fish show it."""
    return Table(
        (
            "Excluded",
            "tolerable",
            "planned for",
            "chance per fish",
            "miss rate per presentation",
            "fish in cut",
            "to image",
        ),
        [
            (
                goal.code,
                goal.tolerable,
                f"{goal.fish} fish",
                percent(goal.chance, digits=3),
                "any" if goal.miss_rate is None else percent(goal.miss_rate, digits=3),
                "-" if goal.individuals is None else whole(goal.individuals),
                "-" if goal.to_image is None else whole(goal.to_image),
            )
            for goal in goals
        ],
        caption=f"So that more than the tolerable number get past in at most {percent(goals[0].risk, digits=0)} "
        "of seasons."
        if goals
        else "",
        words=("planned for",),
    )


def load_sentence(season: Season) -> str:
    """The crew's days in one sentence."""
    crew = season.plan.crew_holds_per_day
    over = (season.days_over_crew > 0).mean()
    return (
        f"Fish held per day: {whole(season.peak.mean())} on the worst day of a mean season; the crew looks at "
        f"{crew}. In {percent(over, digits=0)} of seasons at least one day brings more, on average "
        f"{season.days_over_crew.mean():.1f} of {season.plan.days} days; the longest queue overnight is "
        f"{whole(np.percentile(season.waiting, 95))} fish or fewer in 19 seasons of 20."
    )


def season_values(season: Season, goals: Sequence[Goal]) -> dict[str, Any]:
    """The season as plain values for machines."""
    pairings = season.fertile_pairings
    return {
        "site": season.plan.site,
        "seasons": season.plan.seasons,
        "seed": season.plan.seed,
        "reject_to": season.reject_to,
        "excluded": [
            {
                "class": one.code,
                "came": _spread(one.came),
                "passed": _spread(one.passed),
                "chance_of_none": float((one.passed == 0).mean()),
                "chance_of_pair": float(one.has_pair.mean()),
                "tolerable": asked.tolerable,
                "chance_of_more": float((one.passed > asked.tolerable).mean()),
            }
            for one, asked in _excluded(season)
        ],
        "wanted": [
            {
                "class": one.code,
                "came": _spread(one.came),
                "delayed": _spread(one.delayed),
                "never_pass": _spread(one.gone),
            }
            for one in season.in_group("pass", "protected")
        ],
        "held": {
            "crew_per_day": season.plan.crew_holds_per_day,
            "peak": _spread(season.peak),
            "days_over_crew": _spread(season.days_over_crew),
            "waiting": _spread(season.waiting),
        },
        "fertile_pairings": None if pairings is None else _spread(pairings),
        "goals": [
            {
                "class": goal.code,
                "tolerable": goal.tolerable,
                "risk": goal.risk,
                "fish": goal.fish,
                "chance_per_fish": goal.chance,
                "miss_rate": goal.miss_rate,
                "individuals": goal.individuals,
                "to_image": goal.to_image,
            }
            for goal in goals
        ],
    }


def season_page(season: Season, goals: Sequence[Goal]) -> Page:
    """The page of ``plan season``."""
    excluded = _excluded(season)
    return Page(
        title="What the gate's miss rate means for a season",
        about=f"Site {season.plan.site} · from {season.plan.first_day}, {season.plan.days} days · "
        f"{whole(season.plan.seasons)} simulated seasons, seed {season.plan.seed} · rejected: {season.reject_to}",
        summary=[_sentence(one, asked) for one, asked in excluded] + [load_sentence(season)],
        warnings=_warnings(season),
        sections=[
            Section(
                "Excluded fish that get past",
                text=(
                    "A miss rate is per presentation. A fish that is turned back and comes again is shown again, "
                    "with a new chance to be missed.",
                ),
                tables=(excluded_table(season),),
                quantities=[_chance(one, asked, season) for one, asked in excluded],
                pictures=[_passed_picture(excluded)] if excluded else (),
            ),
            Section(
                "Backwards: the miss rate a tolerable number asks for",
                tables=(goal_table(goals),),
                quantities=[one for goal in goals for one in _goal_quantities(goal)],
                notes=("Where the run is unsure, its 95 % point is planned for.",),
            ),
            Section(
                "Wanted fish delayed or refused",
                text=(
                    "Held fish are passed by a person, later. A fish that gives up after a rejection never passes.",
                ),
                tables=(wanted_table(season),),
            ),
            Section(
                "Held fish against the crew",
                text=(load_sentence(season),),
                pictures=(
                    Picture(
                        figures.draw_load(season),
                        "Fish held per day through the season, with the crew's number as a line.",
                        "Fish held per day: mean and 95 % point over seasons.",
                    ),
                ),
            ),
            *_sterile(season),
            Section("What the model takes for granted", notes=_assumed(season)),
        ],
        cautions=(
            "A plan, not a promise: its inputs are guesses until they are measured at this site.",
            "Removal, sterilisation and release of fish follow permits, labels and licensed practice.",
        ),
    )


def _excluded(season: Season) -> list[tuple[ClassOutcome, SeasonClass]]:
    asked = {one.code: one for one in season.plan.classes}
    return [(one, asked[one.code]) for one in season.in_group("exclude")]


def _passed_picture(excluded: Sequence[tuple[ClassOutcome, SeasonClass]]) -> Picture:
    return Picture(
        figures.draw_passed([one for one, _ in excluded], [asked.tolerable for _, asked in excluded]),
        "Bars per class: share of seasons by number of fish passed; hatched bars are not tolerable.",
        "Share of simulated seasons by number of fish passed. Hatched: more than tolerable.",
    )


def _sentence(one: ClassOutcome, asked: SeasonClass) -> str:
    return (
        f"{one.code}: of about {whole(one.came.mean())} that come, {one.passed.mean():.1f} get past in a mean "
        f"season; none in {percent((one.passed == 0).mean(), digits=0)} of seasons, more than the tolerable "
        f"{asked.tolerable} in {percent((one.passed > asked.tolerable).mean(), digits=0)}."
    )


def _chance(one: ClassOutcome, asked: SeasonClass, season: Season) -> Quantity:
    coming = coming_of(asked, season.reject_to)
    rate = float(one.rates.mean())
    chance = float(fates(one.rates, coming).passed.mean())
    given = (
        f"{asked.error_rate:g} given"
        if asked.error_rate is not None
        else f"{asked.errors} of {asked.shown} missed: drawn from Beta({(asked.errors or 0) + 1}, "
        f"{(asked.shown or 0) - (asked.errors or 0)}), whose 95 % point is the exact upper limit"
    )
    return Quantity(
        f"{one.code}: chance that one fish ever gets past",
        chance,
        percent(chance),
        f"Miss rate per presentation {percent(rate)} on average ({given}), "
        f"{percent(asked.hold_rate, digits=0)} held, retry {coming.retry:g}, likeness of a fish's attempts "
        f"{asked.alike:g}: sum over attempts; without likeness p / (1 - (1 - p - h) r)",
        OURS,
    )


def _goal_quantities(goal: Goal) -> list[Quantity]:
    if goal.miss_rate is None:
        return []
    return [
        Quantity(
            f"{goal.code}: chance per fish",
            goal.chance,
            percent(goal.chance, digits=3),
            f"c with P(Bin({goal.fish}, c) > {goal.tolerable}) = {goal.risk:g}",
            "Exact lower limit, Clopper & Pearson 1934",
        ),
        Quantity(
            f"{goal.code}: miss rate per presentation",
            goal.miss_rate,
            percent(goal.miss_rate, digits=3),
            "the rate at which one fish ever gets past with that chance, solved backwards",
            OURS,
        ),
        Quantity(
            f"{goal.code}: fish that show it without a miss",
            goal.individuals,
            whole(goal.individuals or 0),
            f"smallest n with (1 - {goal.miss_rate:.4g})^n <= delta of the policy",
            "Clopper & Pearson 1934; decision-method section 6",
        ),
    ]


def _sterile(season: Season) -> list[Section]:
    pairings, sterile = season.fertile_pairings, season.plan.sterile
    if pairings is None or sterile is None:
        return []
    one = season.of(sterile.code)
    males = one.passed - one.females_passed
    alone = float(np.where(males > 0, one.females_passed, 0).mean())
    return [
        Section(
            "Sterile males",
            text=(
                f"A simple model of ours: every female of {one.code} that gets past pairs once, with a male met at "
                "random among fertile and sterile ones.",
            ),
            quantities=[
                Quantity(
                    "Fertile pairings per season, without sterile males",
                    alone,
                    f"{alone:.2f}",
                    "females that got past, where at least one male did",
                    "Ours",
                ),
                Quantity(
                    f"With {sterile.males} sterile males, competing at {sterile.competitiveness:g}",
                    float(pairings.mean()),
                    f"{pairings.mean():.2f}",
                    "females x fertile / (fertile + competitiveness x sterile), mean over seasons",
                    "Ours, after the idea of Knipling 1955, J Econ Entomol 48:459",
                ),
            ],
        )
    ]


def _warnings(season: Season) -> list[str]:
    warnings = [
        f"{one.code}: more than the tolerable {asked.tolerable} in {percent(share, digits=0)} of seasons."
        for one, asked in _excluded(season)
        if (share := float((one.passed > asked.tolerable).mean())) > 0.5
    ]
    if (season.days_over_crew > 0).mean() > 0.5:
        warnings.append("In most seasons some days hold more fish than the crew can look at.")
    return warnings


def _assumed(season: Season) -> list[str]:
    return [
        "Fish are independent inside a season. Days that are bad for all fish at once (turbid water, a fouled lens) "
        "are not in the model and would widen every spread.",
        "A person who looks at a held fish decides rightly: excluded fish are removed, wanted ones passed.",
        "A season's rates differ from what was measured only by chance: same set-up, same kinds of fish.",
        f"Rejected fish: {season.reject_to}."
        + ("" if season.reject_to == "turn back" else " They do not come again, so retry chances are not used."),
        "Fish per day are spread evenly inside a week.",
    ]


def _spread(values: npt.ArrayLike) -> dict[str, float]:
    array = np.asarray(values, dtype=np.float64)
    low, median, upper = np.percentile(array, (5, 50, 95))
    return {"mean": float(array.mean()), "p05": float(low), "median": float(median), "p95": float(upper)}
