"""What scripts send and get as JSON about people, batches and readings: one record per body and answer."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import Path
from pydantic import Field

from passage_cv.config import Settings
from passage_cv.intake.timeline import Doubt, Timeline
from passage_cv.web.people import Role

MOST_FIELDS = 2000
Id = Annotated[str, Path(pattern="^[0-9a-f]{12}$")]
Name = Annotated[str, Path(max_length=40)]
Number = Annotated[int, Path(ge=1, le=2**31 - 1)]
Line = Annotated[str, Field(max_length=500, pattern=r"^[^\x00-\x1f]*$")]
State = Annotated[int, Field(ge=0, le=100_000)]


class Refusal(Settings):
    """Why something was not done: what was found, where, and one thing to do."""

    what: str
    where: str
    do: str


class Started(Settings):
    """Background work that was asked for; ask for it at ``/api/jobs/<id>``."""

    job: str


# people


class Me(Settings):
    """Who asks, and the initials of this person on field sheets."""

    name: str
    roles: list[str]
    initials: str


class Initials(Settings):
    """The initials of a person on field sheets."""

    initials: Line


class TokenState(Settings):
    """A token: never its secret."""

    name: str
    created_at: str
    ends_at: str


class TokenName(Settings):
    """Which tokens to end."""

    name: Line


class Person(Settings):
    """Somebody who may sign in, or was switched off."""

    id: int
    name: str
    roles: list[str]
    active: bool
    locked_until: str


class NewPerson(Settings):
    """Whom to invite; an invitation to a name that exists gives that person a new password and these roles."""

    name: Line
    roles: Annotated[list[Role], Field(min_length=1, max_length=len(Role))]


class Invited(Settings):
    """A link that works once, within three days."""

    link: str


class Switch(Settings):
    """Whether a person may use this server."""

    active: bool


class DeedLine(Settings):
    """Who did what, when."""

    id: int
    at: str
    who: str
    did: str
    what: str


# batches


class NewBatch(Settings):
    """A batch to begin: a name (the trip by default) and the facts common to it."""

    name: Line = ""
    facts: dict[str, Line] = Field(default_factory=dict)


class BatchState(Settings):
    """A batch on its way."""

    id: str
    name: str
    owner: str
    state: str
    created_at: str
    facts: dict[str, Any]
    summary: dict[str, Any]
    files: int


class ReceivedFile(Settings):
    """A file that has arrived whole."""

    name: str
    bytes: int
    sha256: str


class Receipt(Settings):
    """What the crew gets for its files, as ``receipt.json`` of the data set says it."""

    batch: str
    receipt: dict[str, Any]


class DecisionLine(Settings):
    """A decision that stands; give its id to undo it."""

    id: int
    kind: str
    image: str
    row: int
    column: str
    was: str
    value: str
    why: str
    who: str
    at: str


class Findings(Settings):
    """What the last check found: counts, how the sheet was read, every finding (formats 2) and every decision."""

    counts: dict[str, int]
    sheet: dict[str, Any]
    findings: list[dict[str, Any]]
    decisions: list[DecisionLine]


class NewDecision(Settings):
    """``exclude`` a picture, ``correct`` a cell, let a kind of finding ``stand`` (its ``column``), or ``note``."""

    kind: Line
    image: Line = ""
    row: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    column: Line = ""
    value: Line = ""
    why: Line = ""


class Decided(Settings):
    """The decisions that were written down."""

    decisions: list[int]


class Facts(Settings):
    """Facts common to a batch."""

    facts: dict[str, Line] = Field(default_factory=dict)


class Kind(Settings):
    """A kind of finding."""

    kind: Line


class ColumnRow(Settings):
    """A heading of the sheet, some of its cells, and which column it is taken for; empty where it is ignored."""

    heading: str
    samples: list[str]
    column: str
    unit: str | None = ""
    length_type: str | None = ""
    confidence: float | None = None


class ColumnState(Settings):
    """How the sheet is read; ``layout`` is what a person confirmed, empty before."""

    rows: list[ColumnRow]
    layout: dict[str, Any]


class Columns(Settings):
    """The form of the page of columns: ``column-0``, ``unit-0``, ``length_type-0``, ..., ``dates``, ``decimal``."""

    form: Annotated[dict[str, Line], Field(max_length=MOST_FIELDS)] = Field(default_factory=dict)


class PairingState(Settings):
    """The timeline of pictures and lines; an edit names the state ``at`` it was made on."""

    at: int
    is_confirmed: bool
    doubtful: list[int]
    doubts: list[Doubt]
    empty_rows: list[int]
    crowded_rows: list[int]
    timeline: Timeline


class PairingEdit(Settings):
    """One edit of the pairing: its name, the state it was made on, and what the page's form would send."""

    at: State
    edit: Line
    form: dict[str, Line] = Field(default_factory=dict)


class At(Settings):
    """The state of the pairing that was looked at."""

    at: State


class Reason(Settings):
    """Why."""

    reason: Line = ""


# sheets on paper, second readings


class Picture(Settings):
    """A picture of a batch by its path."""

    image: Line


class Keyed(Settings):
    """What was keyed from a picture of a paper sheet; the second reading stands here once both are there."""

    image: str
    state: str
    first_by: str
    first: list[dict[str, str]]
    second_by: str
    second: list[dict[str, str]]


class Sheets(Settings):
    """Pictures that may show the sheet, the columns of a grid, and what was keyed."""

    pictures: list[str]
    columns: list[str]
    keyed: list[Keyed]


Row = Annotated[dict[str, Line], Field(max_length=20)]


class Grid(Settings):
    """Rows as on the paper: each says some of the columns."""

    rows: Annotated[list[Row], Field(max_length=400)]


class FirstGrid(Grid):
    """Rows that were read on one picture."""

    image: Line


class DifferenceLine(Settings):
    """A cell that two readers read differently; ``row`` counts from 0."""

    row: int
    column: str
    first: str
    second: str


class Choice(Settings):
    """What a cell is: the ``first`` or the ``second`` reading, or another text."""

    row: Annotated[int, Field(ge=0, le=400)]
    column: Line
    reading: Literal["first", "second", ""] = ""
    other: Line = ""


class Settled(Settings):
    """A choice for each cell in which both readers differ."""

    image: Line
    choices: Annotated[list[Choice], Field(max_length=4000)]


class Waiting(Settings):
    """A sheet that waits for a second reader, and the columns of its grid."""

    id: int
    columns: list[str]


class BlindFish(Settings):
    """The next fish for a second reader: its pictures by hash, and no label; empty when none is left."""

    token: str = ""
    images: list[str] = Field(default_factory=list)
    left: int = 0


class NewReading(Settings):
    """What a second reader calls a fish; an empty name means that it cannot be told."""

    token: Line
    name: Line = ""
    note: Line = ""


class ReadingState(Settings):
    """A reading that was kept."""

    scientificName: str
    reader: str


class Disputed(Settings):
    """A fish that a reader calls otherwise than its label."""

    individual: str
    label: str
    read_as: str
    reader: str
    at: str


class Readings(Settings):
    """How far second readers agree with the labels: ``table[i][j]`` counts ``classes[i]`` read as ``classes[j]``."""

    n_read: int
    agreed: int
    unsure: int
    chosen: int
    readers: list[str]
    classes: list[str]
    table: list[list[int]]
    kappa: float | None
    reason: str
    disputed: list[Disputed]
