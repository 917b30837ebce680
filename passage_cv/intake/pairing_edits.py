"""Corrections of a pairing by a person: each takes a timeline and gives a new one.

Series and pictures are named by their place in ``series`` (from 0) and by their path. An edit that would make
nonsense is refused with the reason; nothing is mended silently.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from passage_cv.errors import InputError
from passage_cv.intake.columns import OTHER_PURPOSES
from passage_cv.intake.pairing_proposal import propose_match
from passage_cv.intake.timeline import ClockReason, Series, Shot, Timeline

LONGEST_OFFSET_S = 366 * 86400.0
"""A camera that lost its battery may show another year; beyond that dates leave the calendar [ours]."""


def move_break(timeline: Timeline, series: int, by: int) -> Timeline:
    """Move the break before a series by some pictures: later where ``by`` is positive, else earlier.

    Raises
    ------
    InputError
        If there is no such break, or a series would lose its last picture.
    """
    before, after = _series(timeline, series - 1), _series(timeline, series)
    images = (*before.images, *after.images)
    cut = len(before.images) + by
    if not 0 < cut < len(images):
        raise InputError(
            f"Moving the break by {by} leaves no picture on one side of it",
            where=f"series {series}, {after.images[0]}",
            do="Join the two series instead.",
        )
    moved = (_hand(before, images=images[:cut]), _hand(after, images=images[cut:]))
    return _with(timeline, series - 1, 2, moved)


def split_series(timeline: Timeline, series: int, at: int) -> Timeline:
    """Put a break before the picture ``at`` (from 1) of a series; the second part is for no line yet.

    Raises
    ------
    InputError
        If the series has no such picture.
    """
    whole = _series(timeline, series)
    if not 0 < at < len(whole.images):
        raise InputError(
            f"A series of {len(whole.images)} pictures has no break at {at}",
            where=f"series {series}, {whole.images[0]}",
            do=f"Break it at 1 to {len(whole.images) - 1}.",
        )
    parts = (_hand(whole, images=whole.images[:at]), _hand(whole, images=whole.images[at:], row=None))
    return _with(timeline, series, 1, parts)


def join_series(timeline: Timeline, series: int) -> Timeline:
    """Take away the break before a series: its pictures go to the series before it, and its line is free.

    Raises
    ------
    InputError
        If there is no such break.
    """
    before, after = _series(timeline, series - 1), _series(timeline, series)
    row = after.row if before.row is None else before.row
    return _with(timeline, series - 1, 2, (_hand(before, images=(*before.images, *after.images), row=row),))


def shift_series(timeline: Timeline, series: int, by: int = 1, *, only: bool = False) -> Timeline:
    """Give a series and all later ones the line ``by`` places further down: what a skipped frame asks for.

    A series that is for no line stays so; one that is shifted beyond the first or last line loses its line.

    Parameters
    ----------
    only
        Shift this one series and leave the later ones.
    """
    _series(timeline, series)
    rows = [line.row for line in timeline.lines]
    place = {row: i for i, row in enumerate(rows)}
    last = series + 1 if only else len(timeline.series)

    def shifted(one: Series) -> Series:
        if one.row is None:
            return one
        to = place[one.row] + by
        return _hand(one, row=rows[to] if 0 <= to < len(rows) else None)

    return _with(timeline, series, last - series, [shifted(one) for one in timeline.series[series:last]])


def assign_row(timeline: Timeline, series: int, row: int | None) -> Timeline:
    """Say which line a series is for; None for no line.

    Raises
    ------
    InputError
        If no line that waits for pictures has that row.
    """
    if row is not None and row not in {line.row for line in timeline.lines}:
        raise InputError(
            f"Row {row} is no line that waits for pictures",
            where=f"series {series}",
            do="Take the row as the spreadsheet shows it.",
        )
    return _with(timeline, series, 1, (_hand(_series(timeline, series), row=row),))


def set_aside(timeline: Timeline, image: str, why: str, *, purpose: str = "") -> Timeline:
    """Take a picture out of its series: it shows no fish, or none of this sheet.

    Parameters
    ----------
    why
        The reason, kept with the batch.
    purpose
        One of :data:`passage_cv.intake.columns.OTHER_PURPOSES`, or empty.

    Raises
    ------
    InputError
        If there is no such picture, no reason, or no such purpose.
    """
    if not why.strip() or purpose not in {"", *OTHER_PURPOSES}:
        raise InputError(
            "A picture is set aside for a reason" if not why.strip() else f"There is no purpose {purpose!r}",
            where=image,
            do=f"Say why; a purpose is one of {', '.join(OTHER_PURPOSES)}, or none.",
        )
    shots = _changed(timeline, image, aside=why.strip(), purpose=purpose)
    left = [replace(one, images=tuple(name for name in one.images if name != image)) for one in timeline.series]
    return replace(timeline, shots=shots, series=tuple(one for one in left if one.images))


def take_back(timeline: Timeline, image: str) -> Timeline:
    """Put a picture that was set aside into the series beside it: that of the picture before, else after.

    Raises
    ------
    InputError
        If there is no such picture.
    """
    shots = _changed(timeline, image, aside="", purpose="", slate="")
    used = [shot.image for shot in shots if not shot.aside]
    place, series = used.index(image), list(timeline.series)
    if not series:
        return replace(timeline, shots=shots, series=(Series((image,), by_hand=True),))
    beside = used[place - 1] if place else used[1]
    at = next(i for i, one in enumerate(series) if beside in one.images)
    inside = series[at].images.index(beside) + (1 if place else 0)
    images = (*series[at].images[:inside], image, *series[at].images[inside:])
    series[at] = _hand(series[at], images=images)
    return replace(timeline, shots=shots, series=tuple(series))


def set_clock_offset(timeline: Timeline, camera: str, seconds: float, *, why: str = "", who: str = "") -> Timeline:
    """Say what must be added to a camera's clock, and propose anew: breaks and rows set by hand are lost.

    Pictures set aside, slates told and other cameras' offsets stay. The offset comes from a photograph of a clock
    (:func:`passage_cv.intake.pairing.offset_from_clock`) or from a person who knows how far the clock is off.

    Parameters
    ----------
    seconds
        Added to every time of the camera, in all and not on top of an earlier offset; 0 takes the clock as it is.
    why, who
        Kept with the pairing; ``who`` may be empty for the one who signs it.

    Raises
    ------
    InputError
        If no picture is from that camera, or the offset is longer than a year.
    """
    cameras = sorted({shot.camera for shot in timeline.shots})
    if camera not in cameras:
        raise InputError(
            f"No picture is from camera {camera!r}; there are {', '.join(map(repr, cameras))}",
            where="timeline",
            do="Take one of these.",
        )
    if not abs(seconds) <= LONGEST_OFFSET_S:
        raise InputError(f"An offset of {seconds:g} s is over a year", where="timeline", do="Look at the date again.")
    clocks = {**timeline.clocks, camera: float(seconds)}
    reasons = tuple(one for one in timeline.clock_reasons if one.camera != camera)
    stated = (*reasons, ClockReason(camera, why.strip(), who)) if why.strip() else reasons
    anew = _anew(timeline, timeline.shots, {name: s for name, s in clocks.items() if s})
    return replace(anew, clock_reasons=stated)


def set_slate(timeline: Timeline, image: str, number: str) -> Timeline:
    """Say that a picture shows a slate with a fish's number, and propose anew: hand-made breaks are lost.

    Raises
    ------
    InputError
        If there is no such picture, or no number.
    """
    if not number.strip():
        raise InputError("A slate names a fish", where=image, do="Give the number on the slate.")
    why = f"slate of fish {number.strip()}"
    shots = _changed(timeline, image, slate=number.strip(), aside=why, purpose="slate")
    return _anew(timeline, shots, timeline.clocks)


def _anew(timeline: Timeline, shots: Sequence[Shot], clocks: Mapping[str, float]) -> Timeline:
    """A new proposal that keeps what people said of clocks and doubts."""
    anew = propose_match(timeline.lines, shots, clocks)
    return replace(anew, clock_reasons=timeline.clock_reasons, answers=timeline.answers)


def _series(timeline: Timeline, place: int) -> Series:
    if not 0 <= place < len(timeline.series):
        raise InputError(
            f"There is no series {place}; there are {len(timeline.series)}, from 0",
            where="timeline",
            do="Take one of these.",
        )
    return timeline.series[place]


def _hand(one: Series, **changes: object) -> Series:
    return replace(one, **{"by_hand": True, "sure": 1.0, "why": "set by hand", **changes})  # type: ignore[arg-type]  # fields of Series


def _with(timeline: Timeline, at: int, count: int, parts: Sequence[Series]) -> Timeline:
    """The timeline with some of its series replaced."""
    return replace(timeline, series=(*timeline.series[:at], *parts, *timeline.series[at + count :]))


def _changed(timeline: Timeline, image: str, **changes: str) -> tuple[Shot, ...]:
    if image not in timeline.by_image:
        raise InputError("There is no such picture", where=image, do="Take a path as the timeline has it.")
    return tuple(replace(shot, **changes) if shot.image == image else shot for shot in timeline.shots)
