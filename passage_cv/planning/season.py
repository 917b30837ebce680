"""What a miss rate per presentation means for a whole season: many seasons, seeded and vectorised.

A season file (how many fish come, when, and how often they come again) and the site's policy come in; counts
per simulated season go out: excluded fish passed, wanted fish delayed or refused, fish held per day. Fish are
independent of each other inside a season; rates and run size differ between seasons as far as they are unsure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from passage_cv.config import Settings, read_settings
from passage_cv.errors import InputError
from passage_cv.planning.fates import Coming, fates
from passage_cv.policy import Group, Policy
from passage_cv.progress import Progress, silent, tracked

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

Rate = Annotated[float, Field(ge=0, lt=1)]
DAYS_PER_WEEK = 7


class SeasonClass(Settings):
    """One class of fish in the season: how many, when, and what the gate does with them.

    The wrong final action (an excluded fish passed, a wanted one rejected) is given either as ``error_rate``
    per presentation or as ``errors`` of ``shown`` presentations; the latter carries its uncertainty.
    """

    code: str
    by_week: Annotated[tuple[Annotated[float, Field(ge=0)], ...], Field(min_length=1)]
    run_standard_error: Annotated[float, Field(ge=0)] = 0.0
    error_rate: Rate | None = None
    errors: Annotated[int, Field(ge=0)] | None = None
    shown: Annotated[int, Field(ge=1)] | None = None
    hold_rate: Rate = 0.0
    retry: Annotated[float, Field(ge=0, le=1)] = 0.0
    alike: Rate = 0.0
    max_attempts: Annotated[int, Field(ge=1)] | None = None
    female_share: Annotated[float, Field(ge=0, le=1)] = 0.5
    tolerable: Annotated[int, Field(ge=0)] = 0

    @model_validator(mode="after")
    def _one_rate(self) -> Self:
        counted = self.errors is not None and self.shown is not None
        if counted == (self.error_rate is not None) or (self.errors is None) != (self.shown is None):
            raise ValueError(f"class {self.code} needs error_rate, or errors and shown")
        if self.errors is not None and self.shown is not None and self.errors >= self.shown:
            raise ValueError(f"class {self.code} has {self.errors} errors of {self.shown} shown")
        return self

    @property
    def run(self) -> float:
        """Fish expected in the season."""
        return sum(self.by_week)


class SterileMales(Settings):
    """Sterile males of a release programme that meet the fish that got past."""

    code: str
    males: Annotated[int, Field(ge=0)]
    competitiveness: Annotated[float, Field(ge=0, le=1)] = 1.0


class SeasonPlan(Settings):
    """A season to be simulated, as read from its TOML file."""

    format: Literal[1]
    site: str
    first_day: date
    seasons: Annotated[int, Field(ge=1, le=200_000)] = 10_000
    seed: int
    crew_holds_per_day: Annotated[int, Field(ge=0)]
    classes: Annotated[tuple[SeasonClass, ...], Field(min_length=1)]
    sterile: SterileMales | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        codes = [one.code for one in self.classes]
        if len(set(codes)) != len(codes):
            raise ValueError(f"class codes must differ: {codes}")
        weeks = {len(one.by_week) for one in self.classes}
        if len(weeks) > 1:
            raise ValueError(f"by_week must have one length for all classes, found {sorted(weeks)}")
        if self.sterile and self.sterile.code not in codes:
            raise ValueError(f"sterile males of {self.sterile.code}, which is no class of the season")
        return self

    @property
    def days(self) -> int:
        """Length of the season."""
        return DAYS_PER_WEEK * len(self.classes[0].by_week)


@dataclass(frozen=True, slots=True)
class ClassOutcome:
    """What the simulated seasons did to one class; every array has shape (n_seasons,)."""

    code: str
    group: Group
    rates: Floats
    came: Ints
    passed_first: Ints
    passed_later: Ints
    held: Ints
    gone: Ints
    females_passed: Ints

    @property
    def passed(self) -> Ints:
        """Passed by the gate itself."""
        return self.passed_first + self.passed_later

    @property
    def delayed(self) -> Ints:
        """Wanted fish that passed late: after a rejection, or after a person let them go."""
        return self.passed_later + self.held

    @property
    def has_pair(self) -> npt.NDArray[np.bool_]:
        """Whether at least one female and one male were passed."""
        return (self.females_passed > 0) & (self.females_passed < self.passed)


@dataclass(frozen=True, slots=True)
class Season:
    """All simulated seasons.

    ``held_by_day`` has shape (n_days, 3): mean, median and 95 % point over seasons. ``peak`` and
    ``days_over_crew`` have shape (n_seasons,), as has ``waiting``, the longest queue left at the end of a day.
    """

    plan: SeasonPlan
    reject_to: str
    classes: tuple[ClassOutcome, ...]
    held_by_day: Floats
    peak: Ints
    days_over_crew: Ints
    waiting: Ints

    def in_group(self, *groups: Group) -> tuple[ClassOutcome, ...]:
        """The classes of these groups."""
        return tuple(one for one in self.classes if one.group in groups)

    def of(self, code: str) -> ClassOutcome:
        """The outcome of one class (KeyError where the season has none)."""
        return {one.code: one for one in self.classes}[code]

    @property
    def fertile_pairings(self) -> Floats | None:
        """Expected pairings with a fertile male above the barrier, shape (n_seasons,); None without sterile males."""
        if self.plan.sterile is None:
            return None
        one, sterile = self.of(self.plan.sterile.code), self.plan.sterile
        return fertile_pairings(
            one.females_passed,
            one.passed - one.females_passed,
            sterile.males,
            competitiveness=sterile.competitiveness,
        )


def read_season(path: Path) -> SeasonPlan:
    """Read a season file.

    Raises
    ------
    InputError
        Naming every key that is missing, unknown or out of range.
    """
    return read_settings(path, SeasonPlan)


def coming_of(one: SeasonClass, reject_to: str) -> Coming:
    """How a class comes again under the site's rule for rejected fish: only a turned-back fish does."""
    retry = one.retry if reject_to == "turn back" else 0.0
    return Coming(one.hold_rate, retry, one.alike, one.max_attempts)


def simulate_season(plan: SeasonPlan, policy: Policy, *, progress: Progress = silent) -> Season:
    """Simulate the season many times under a policy.

    Parameters
    ----------
    plan
        The season; its classes must be in the policy.
    policy
        Says which classes are excluded and what becomes of rejected fish.

    Raises
    ------
    InputError
        If the policy is of another site or lacks a class of the season, or a class's rates leave no room for each
        other.

    Notes
    -----
    Per season and class: the run is log-normal about its estimate, the error rate is drawn from
    Beta(errors + 1, shown - errors), whose 95 % point is the exact upper limit, and the fish fall into their
    fates as a multinomial with the exact chances of :func:`passage_cv.planning.fates.fates`. Fish are
    independent inside a season: water or light that is bad for all of them at once is not in the model, and
    would widen every spread.
    """
    if plan.site != policy.site:
        raise InputError(
            f"Season is of {plan.site}, policy of {policy.site}", do="Give the policy of the season's site."
        )
    unknown = [one.code for one in plan.classes if one.code not in policy.codes]
    if unknown:
        raise InputError(
            f"Classes {', '.join(unknown)} of the season are not in the policy of {policy.site}",
            do="Use the policy's codes.",
        )
    streams = np.random.default_rng(plan.seed).spawn(len(plan.classes))
    outcomes = []
    held = np.zeros((plan.seasons, plan.days), dtype=np.int64)
    todo = list(zip(plan.classes, streams, strict=True))
    for one, rng in tracked(todo, "Simulating classes", progress):
        outcome = _simulate_class(one, policy, plan.seasons, rng)
        outcomes.append(outcome)
        if outcome.held.any():
            held += rng.multinomial(outcome.held, _daily(one))
    return Season(
        plan=plan,
        reject_to=policy.reject_to,
        classes=tuple(outcomes),
        held_by_day=np.stack([held.mean(axis=0), *np.percentile(held, (50, 95), axis=0)], axis=1),
        peak=held.max(axis=1),
        days_over_crew=(held > plan.crew_holds_per_day).sum(axis=1),
        waiting=_longest_queue(held, plan.crew_holds_per_day),
    )


def fertile_pairings(
    females: npt.ArrayLike, fertile_males: npt.ArrayLike, sterile_males: float, *, competitiveness: float = 1.0
) -> Floats:
    """Expected pairings of females with a fertile male, where males of both kinds court at random.

    ``females * F / (F + c S)``, and 0 without a fertile male: a simple model of ours, in which every female
    pairs once, and c is how well a sterile male competes.

    Raises
    ------
    InputError
        If a number is negative.

    Examples
    --------
    >>> fertile_pairings(10, 5, 45).tolist()
    [1.0]
    """
    female, fertile = np.atleast_1d(females).astype(np.float64), np.atleast_1d(fertile_males).astype(np.float64)
    rivals = competitiveness * sterile_males
    if min(female.min(initial=0), fertile.min(initial=0), rivals) < 0:
        raise InputError("Numbers of fish cannot be negative", do="Correct the counts.")
    share = np.divide(fertile, fertile + rivals, out=np.zeros_like(fertile), where=fertile > 0)
    return female * share


def _simulate_class(one: SeasonClass, policy: Policy, seasons: int, rng: np.random.Generator) -> ClassOutcome:
    group = policy.groups[one.code]
    came = _draw_run(one, seasons, rng)
    errors = np.minimum(_draw_errors(one, seasons, rng), 1 - one.hold_rate)
    pass_rates = errors if group == "exclude" else 1 - one.hold_rate - errors
    chances = fates(pass_rates, coming_of(one, policy.reject_to))
    shares = np.stack([chances.first, chances.later, chances.held, chances.gone], axis=1)
    first, later, held, gone = rng.multinomial(came, shares / shares.sum(axis=1, keepdims=True)).T
    females = rng.binomial(first + later, one.female_share)
    return ClassOutcome(one.code, group, errors, came, first, later, held, gone, females)


def _draw_run(one: SeasonClass, seasons: int, rng: np.random.Generator) -> Ints:
    if not one.run or not one.run_standard_error:
        return np.full(seasons, round(one.run))
    spread = math.log1p((one.run_standard_error / one.run) ** 2)
    draws = rng.lognormal(math.log(one.run) - spread / 2, math.sqrt(spread), seasons)
    return np.rint(draws).astype(np.int64)


def _draw_errors(one: SeasonClass, seasons: int, rng: np.random.Generator) -> Floats:
    if one.errors is None or one.shown is None:
        assert one.error_rate is not None
        return np.full(seasons, one.error_rate)
    return rng.beta(one.errors + 1, one.shown - one.errors, seasons)


def _daily(one: SeasonClass) -> Floats:
    days: Floats = np.repeat(np.asarray(one.by_week), DAYS_PER_WEEK)
    shares: Floats = days / days.sum()
    return shares


def _longest_queue(held: Ints, crew: int) -> Ints:
    queue = np.zeros(len(held), dtype=np.int64)
    longest = queue.copy()
    for day in range(held.shape[1]):
        queue = np.maximum(0, queue + held[:, day] - crew)
        longest = np.maximum(longest, queue)
    return longest
