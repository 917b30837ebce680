"""How pictures may meet the lines of a sheet: a proposal that a person corrects.

Comes in: pictures in order, lines in order. Goes out: a :class:`Timeline`, which is plain values throughout, so
that a screen can show it and hand it back. Making the proposal is done in ``pairing``, correcting it in
``pairing_edits``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from pydantic import TypeAdapter, ValidationError

from passage_cv.config import describe_errors
from passage_cv.errors import InputError


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture.

    ``image`` is its path below the batch folder, ``thumbnail`` a file name in the folder of thumbnails; ``taken_at``
    what the camera's clock said. ``slate`` is the fish number that the picture names, read from a printed code or
    told by a person. ``aside`` says why it belongs to no fish (empty: it does), ``purpose`` what it is then for.
    """

    image: str
    taken_at: str = ""
    camera: str = ""
    thumbnail: str = ""
    slate: str = ""
    aside: str = ""
    purpose: str = ""


@dataclass(frozen=True, slots=True)
class PairLine:
    """One line of the sheet that waits for pictures; ``fish`` is event/number or the tag, ``time`` may be empty.

    ``is_own_time`` where the time is that of this one fish, and not of the event that it shares with others.
    """

    row: int
    fish: str
    event: str
    individual: str
    name: str
    time: str = ""
    is_own_time: bool = False


@dataclass(frozen=True, slots=True)
class Series:
    """Pictures that follow each other without a break: one fish.

    ``row`` is the line they are proposed for, None where there is none. ``sure`` runs from 0 to 1 [ours: an order,
    not a probability] and ``why`` says what it rests on; ``by_hand`` where a person had the last word.
    """

    images: tuple[str, ...]
    row: int | None = None
    why: str = ""
    sure: float = 0.0
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a proposal may be wrong as a whole: to be answered before it is confirmed.

    Where a camera's clock is doubted and one offset would explain the lines better, ``seconds`` is what its clock
    would have added in all.
    """

    said: str
    camera: str = ""
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person said to a doubt as it stood; ``who`` is empty where it is who signs the pairing."""

    said: str
    why: str
    who: str = ""


@dataclass(frozen=True, slots=True)
class ClockReason:
    """Who stated a camera's offset, and why; ``who`` as in :class:`Answer`."""

    camera: str
    why: str
    who: str = ""


@dataclass(frozen=True, slots=True)
class Timeline:
    """Pictures and lines side by side.

    ``shots`` stand in order of corrected time (by folder where folders say whose they are), ``series`` cover all of
    them that are not set aside, in the same order. ``clocks`` is, for each camera, what is added to its clock in
    seconds, ``clock_reasons`` who said so. ``method`` is ``folder``, ``slate``, ``time`` or ``order``; ``notes`` are
    for the person who looks. ``clock_doubts`` were found with the proposal, ``answers`` are what people said to
    doubts (``pairing_doubts``).
    """

    lines: tuple[PairLine, ...]
    shots: tuple[Shot, ...]
    series: tuple[Series, ...]
    clocks: Mapping[str, float] = field(default_factory=dict)
    method: str = "order"
    notes: tuple[str, ...] = ()
    clock_reasons: tuple[ClockReason, ...] = ()
    clock_doubts: tuple[Doubt, ...] = ()
    answers: tuple[Answer, ...] = ()

    @property
    def by_image(self) -> dict[str, Shot]:
        """Each picture by its path."""
        return {shot.image: shot for shot in self.shots}

    @property
    def empty_rows(self) -> tuple[int, ...]:
        """Lines that no series is for."""
        taken = {one.row for one in self.series}
        return tuple(line.row for line in self.lines if line.row not in taken)

    @property
    def crowded_rows(self) -> tuple[int, ...]:
        """Lines that several series are for."""
        counts = Counter(one.row for one in self.series if one.row is not None)
        return tuple(sorted(row for row, n in counts.items() if n > 1))

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {**asdict(self), "empty_rows": list(self.empty_rows), "crowded_rows": list(self.crowded_rows)}


_ADAPTER = TypeAdapter(Timeline)


def read_timeline(values: Mapping[str, Any]) -> Timeline:
    """The timeline that :meth:`Timeline.as_dict` gave, checked again.

    Raises
    ------
    InputError
        If the values are no timeline, or its series do not cover its pictures in their order.
    """
    plain = {key: value for key, value in values.items() if key not in {"empty_rows", "crowded_rows"}}
    try:
        timeline = _ADAPTER.validate_python(plain)
    except ValidationError as error:
        raise InputError(describe_errors(error), where="timeline", do="Propose the pairing again.") from error
    require_whole(timeline)
    return timeline


def encode_timeline(timeline: Timeline) -> bytes:
    """A timeline as JSON to be read again; many times quicker than :meth:`Timeline.as_dict` for a long one."""
    return _ADAPTER.dump_json(timeline)


def decode_timeline(data: bytes) -> Timeline:
    """The timeline that :func:`encode_timeline` wrote, checked again.

    Raises
    ------
    InputError
        As :func:`read_timeline`.
    """
    try:
        timeline = _ADAPTER.validate_json(data)
    except ValidationError as error:
        raise InputError(describe_errors(error), where="timeline", do="Propose the pairing again.") from error
    require_whole(timeline)
    return timeline


def require_whole(timeline: Timeline) -> None:
    """Refuse a timeline that loses, doubles or reorders pictures, or names a line that is not there.

    Raises
    ------
    InputError
        Saying what does not fit.
    """
    used = [shot.image for shot in timeline.shots if not shot.aside]
    paired = [image for one in timeline.series for image in one.images]
    if used != paired:
        odd = sorted(set(used) ^ set(paired)) or [a for a, b in zip(used, paired, strict=False) if a != b]
        raise InputError(
            f"Series do not cover the pictures in their order, first at {(odd or paired)[0]}",
            where="timeline",
            do="Propose the pairing again.",
        )
    rows = {line.row for line in timeline.lines}
    foreign = sorted({one.row for one in timeline.series if one.row is not None} - rows)
    if foreign:
        raise InputError(f"Row {foreign[0]} is no line that waits for pictures", where="timeline", do="Take another.")
