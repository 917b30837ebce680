"""Clocks of cameras that are an hour off or show another zone, and events of a wrong day: told by a whole event.

A single picture may lie outside its event for many reasons; nearly all pictures of one camera that one shift puts
inside have one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.lines import Line
from passage_cv.intake.times import (
    Window,
    minutes_off_event,
    minutes_outside,
    on_event_clock,
    on_site_clock,
    parse_instant,
    parse_window,
)
from passage_cv.records import Finding

LEAST_PICTURES = 5
"""Pictures of one camera and event below which its clock is not doubted [ours]."""
MOST_OUTSIDE = 0.8
"""Part of them that must lie outside the event before its clock is doubted [ours]."""
_HOUR = timedelta(hours=1)
DAY_OFF_MINUTES = 720.0
"""From half a day on, a date is doubted rather than an hour [ours]."""

Clock = tuple[str, str, str]
"""An event, its date as the sheet says it, and a camera."""


def check_clocks(batch: CheckedBatch) -> list[Finding]:
    """Cameras an hour off, or on UTC: nearly all pictures of an event lie outside it, one shift puts all inside."""
    findings = []
    for (event, text, camera), pictures in _times_by_clock(batch).items():
        window = parse_window(text)
        if window is None or window.start == window.end or len(pictures) < LEAST_PICTURES:
            continue
        times = [on_event_clock(taken, window) for _, taken in pictures]
        shift = _shift_inside(times, window, _offset_of_site(batch, window))
        if shift:
            line = pictures[0][0]
            findings.append(
                Finding(
                    "camera clock",
                    "please look",
                    f"{len(times)} pictures of event {event} ({text}){f' by camera {camera}' if camera else ''} were"
                    f" made {min(times):%Y-%m-%d %H:%M} to {max(times):%Y-%m-%d %H:%M}; moved by"
                    f" {shift.total_seconds() / 3600:+g} h all lie inside it",
                    row=line.row,
                    image=line.images[0],
                    proposal="The clock may be an hour off (summer time)"
                    if abs(shift) == _HOUR
                    else "The clock may show UTC and not the site's time",
                )
            )
    return findings


def check_event_days(batch: CheckedBatch) -> list[Finding]:
    """Events whose pictures were nearly all made on other days: a wrong date, or a camera whose clock was not set."""
    findings = []
    for (event, text, camera), pictures in clocks_days_off(batch).items():
        times = [taken.replace(tzinfo=None) for _, taken in pictures]
        line = pictures[0][0]
        findings.append(
            Finding(
                "day of the event",
                "must resolve",
                f"Event {event} is on {text}, and its {len(times)} pictures{f' by camera {camera}' if camera else ''}"
                f" were made {min(times):%Y-%m-%d %H:%M} to {max(times):%Y-%m-%d %H:%M}",
                row=line.row,
                image=line.images[0],
                proposal="Correct eventDate, in the facts of the batch or the sheet; where the camera's clock was"
                " never set, let it stand and say so",
            )
        )
    return findings


def clocks_days_off(batch: CheckedBatch) -> Mapping[Clock, list[tuple[Line, datetime]]]:
    """The pictures of each clock that nearly all lie half a day and more outside their event."""
    found = {}
    for clock, pictures in _times_by_clock(batch).items():
        window = parse_window(clock[1])
        if window is None or len(pictures) < LEAST_PICTURES:
            continue
        far = sum((minutes_off_event(taken, window) or 0.0) >= DAY_OFF_MINUTES for _, taken in pictures)
        if far >= MOST_OUTSIDE * len(pictures):
            found[clock] = pictures
    return found


def _times_by_clock(batch: CheckedBatch) -> dict[Clock, list[tuple[Line, datetime]]]:
    """When the fish of each event and event date were photographed, camera by camera."""
    pictures = {picture.name: picture for picture in batch.images}
    found: dict[Clock, list[tuple[Line, datetime]]] = defaultdict(list)
    for line in batch.kept_lines():
        for name in batch.kept_images(line) if line.shows_fish else ():
            own = pictures.get(name)
            taken = parse_instant(line.text["taken_at"]) or (parse_instant(own.taken_at) if own else None)
            if taken:
                camera = line.text["camera"] or (own.camera if own else "")
                found[line.event, line.text["eventDate"], camera].append((line, taken))
    return found


def _shift_inside(times: Sequence[datetime], window: Window, offset: timedelta | None) -> timedelta | None:
    """The one shift that puts every picture into the window, where nearly all lie outside; None where there is none.

    A night's work runs over midnight: an event given as days is held against the site's offset alone.
    """
    if sum(bool(minutes_outside(taken, window)) for taken in times) < MOST_OUTSIDE * len(times):
        return None
    shifts = [_HOUR, -_HOUR] if window.is_exact or window.start.time() != time.min else []
    tried = [*shifts, *([offset] if offset else [])]
    fits = [shift for shift in tried if not any(minutes_outside(taken + shift, window) for taken in times)]
    return fits[0] if fits else None


def _offset_of_site(batch: CheckedBatch, window: Window) -> timedelta | None:
    """The site's offset from UTC: the event's own, else the layout's, else that of another event of the batch."""
    if window.is_exact:
        return window.start.utcoffset()
    if batch.layout and (batch.layout.zone or batch.layout.offset):
        noon = f"{window.start:%Y-%m-%d}T12:00:00"
        there = on_site_clock(noon, batch.layout.zone) if batch.layout.zone else noon + batch.layout.offset
        moment = parse_instant(there or "")
        return moment.utcoffset() if moment else None
    others = (parse_window(text) for text in dict.fromkeys(line.text["eventDate"] for line in batch.kept_lines()))
    return next((one.start.utcoffset() for one in others if one and one.is_exact), None)
