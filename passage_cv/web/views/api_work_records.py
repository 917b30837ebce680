"""What scripts send and get as JSON about work, the data set, models and releases: one record per body and answer."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from passage_cv.config import Settings
from passage_cv.dataset.store import StoreSettings
from passage_cv.dataset.versions import VersionRecord
from passage_cv.web.views.api_records import Line

# background work


class JobState(Settings):
    """How far background work is."""

    id: str
    kind: str
    subject: str
    state: str
    label: str
    done: int
    total: int
    who: str
    created_at: str
    ended_at: str
    refusal: dict[str, Any]
    result: dict[str, Any]


class Log(Settings):
    """The end of what work printed."""

    log: str


# data set


class NewStore(Settings):
    """How roles are drawn, for good."""

    unit: Literal["trip", "individual"] = "trip"
    train: Annotated[float, Field(ge=0, le=1)] = 0.4
    cut: Annotated[float, Field(ge=0, le=1)] = 0.4
    test: Annotated[float, Field(ge=0, le=1)] = 0.2
    policy: Line = ""


class StoreState(Settings):
    """How roles are drawn; before the data set is begun what is usual."""

    is_begun: bool
    settings: StoreSettings


class VersionState(VersionRecord):
    """One version: its record (formats 6), and fish per class and role."""

    version: str
    classes: dict[str, dict[str, int]]


class LeakLine(Settings):
    """One thing looked for that could tie two roles together: ``shared`` of ``n``."""

    what: str
    n: int
    shared: int
    allowed: bool
    examples: list[str]
    is_fault: bool


class NewPolicy(Settings):
    """A site's policy under a new name."""

    name: Line
    text: Annotated[str, Field(max_length=100_000)]


class PolicyState(Settings):
    """A policy that was handed in."""

    name: str
    site: str
    sha256: str


# models and cutoffs


class NewSetUp(Settings):
    """A changed training set-up under a new name."""

    name: Line
    text: Annotated[str, Field(max_length=100_000)]


class SetUps(Settings):
    """Names of the training set-ups that there are; each one's text is at ``/api/models/set-ups/<name>``."""

    shipped: list[str]
    handed_in: list[str]


class Training(Settings):
    """A training to start; ``config`` names its set-up."""

    config: Line
    policy: Line
    version: Line = "latest"


class Calibration(Settings):
    """Scores and a policy: to set cutoffs by, or to try other demands on."""

    scores: Line
    policy: Line


class Pair(Settings):
    """Two runs to compare."""

    first: Line
    second: Line


class Thing(Settings):
    """A run, scores, cutoffs, a report, a package, or what a look came to."""

    id: str
    kind: str
    title: str
    who: str
    at: str
    sources: dict[str, Any]
    facts: dict[str, Any]


class WholeThing(Thing):
    """With what it holds: cutoffs and their limits in words, tables, a gate's log read, names of a report's files."""

    content: dict[str, Any]


# releases


class Answer(Settings):
    """An engineer's answer to a proposal."""

    accept: bool
    text: Line = ""


class ReleaseState(Settings):
    """A proposal and what became of it."""

    id: str
    cutoffs: str
    package: str
    state: str
    proposed_by: str
    proposed_at: str
    decided_by: str
    decided_at: str
    reason: str
    answer: str
    limits: list[str]
    in_service: bool


class ServiceLine(Settings):
    """A package put into service at a site."""

    release: str
    since: str
    who: str
    reason: str


class SiteState(Settings):
    """What a site runs, what it ran before (newest first), and the newest reading of its gate's log (a thing).

    ``back`` is the release that a roll-back leads to, empty where there is none.
    """

    site: str
    now: ServiceLine
    before: list[ServiceLine]
    back: str
    log: str


class Back(Settings):
    """Which site goes back to its package before, to which release, and why."""

    site: Line
    release: Line
    reason: Line
