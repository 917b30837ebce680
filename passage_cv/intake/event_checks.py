"""Checks of events, their dates and the batch's permits."""

from __future__ import annotations

from collections import defaultdict

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.clock_checks import clocks_days_off
from passage_cv.intake.lines import Line
from passage_cv.intake.times import minutes_off_event, parse_instant, parse_time_of_day, parse_window, spreadsheet_day
from passage_cv.records import Change, Finding

SLACK_MINUTES = 120
"""How far a picture may lie outside its event before somebody is asked [ours: set-up and release]."""

_EVENT_COLUMNS = ("eventID", "eventDate", "locationID")
_ONE_PER_EVENT = ("eventDate", "locationID", "trip")
_OPEN_DATA_COLUMNS = ("eventID", "locationID")


def check_permit(batch: CheckedBatch) -> list[Finding]:
    """A batch from the field refers to a permit and an animal-care protocol."""
    if batch.is_open_data:
        return []
    findings = []
    for name, words in (("permit", "collecting permit"), ("animalCareProtocol", "animal-care protocol")):
        if not batch.facts.get(name):
            rows = [line.row for line in batch.rows if not line.text[name]]
            if rows or not batch.rows:
                findings.append(
                    Finding(
                        f"no {words}",
                        "must resolve",
                        f"The batch names no {words} ({len(rows)} of {len(batch.rows)} lines without one)",
                        row=rows[0] if rows else None,
                        proposal=f'Add {name} = "..." to trip.toml',
                    )
                )
    return findings


def check_event_facts(batch: CheckedBatch) -> list[Finding]:
    """Each line knows its event, date and site; one event has one of each."""
    wanted = _OPEN_DATA_COLUMNS if batch.is_open_data else _EVENT_COLUMNS
    findings = []
    for name in wanted:
        rows = [line.row for line in batch.kept_lines() if not line.text[name]]
        if rows:
            findings.append(
                Finding(
                    f"no {name}",
                    "must resolve",
                    f"{len(rows)} of {len(batch.rows)} lines have no {name}, first row {rows[0]}",
                    row=rows[0],
                    proposal=f"Fill the column, or add {name} to trip.toml",
                )
            )
    return findings + _two_of_one_event(batch)


def check_event_dates(batch: CheckedBatch) -> list[Finding]:
    """Event dates are ISO 8601, with an offset where they have a time."""
    findings = []
    for text, line in _first_lines(batch, "eventDate").items():
        window = parse_window(text)
        if window is None:
            findings.append(
                Finding(
                    "event date",
                    "must resolve",
                    f"eventDate is {text!r} (row {line.row}), which is no ISO 8601 date, time or interval",
                    row=line.row,
                    proposal="Write it as 2031-04-20T21:15:00-04:00, an interval with / between"
                    + (
                        f"; as a spreadsheet's day number it would be {day}" if (day := spreadsheet_day(text)) else ""
                    ),
                    change=Change("eventDate", day) if day else None,
                )
            )
        elif not window.is_exact:
            is_day = "T" not in text
            findings.append(
                Finding(
                    "event date without offset",
                    "note" if is_day else "must resolve",
                    f"eventDate {text} (row {line.row}) has no offset from UTC",
                    row=line.row,
                    proposal="Add the offset, for example -04:00",
                )
            )
    return findings


def check_picture_times(batch: CheckedBatch) -> list[Finding]:
    """Cells of ``taken_at`` that say no time; until then the picture's file says when it was made."""
    unread = [
        line for line in batch.kept_lines() if line.text["taken_at"] and parse_instant(line.text["taken_at"]) is None
    ]
    if not unread:
        return []
    first = ", ".join(f"{line.text['taken_at']!r} (row {line.row})" for line in unread[:3])
    return [
        Finding(
            "picture time",
            "must resolve",
            f"{len(unread)} cells of taken_at are no ISO 8601 time: {first}{', ...' if len(unread) > 3 else ''}",
            row=unread[0].row,
            proposal="Confirm the column as timeOfDay in layout.toml: it is then joined with eventDate"
            if all(parse_time_of_day(line.text["taken_at"]) for line in unread)
            else "Write it as 2031-04-20T21:15:00-04:00, or leave the cell empty",
        )
    ]


def check_event_window(batch: CheckedBatch) -> list[Finding]:
    """Pictures made well before or after their event: a wrong clock or card; a wrong day is told once for all."""
    made = {picture.name: picture.taken_at for picture in batch.images}
    told = {(line.row, taken) for pictures in clocks_days_off(batch).values() for line, taken in pictures}
    findings = []
    for line in batch.kept_lines():
        window = parse_window(line.text["eventDate"])
        for name in batch.kept_images(line):
            taken = parse_instant(line.text["taken_at"]) or parse_instant(made.get(name, ""))
            outside = minutes_off_event(taken, window) if taken and window else None
            if taken and outside and outside > SLACK_MINUTES and (line.row, taken) not in told:
                findings.append(
                    Finding(
                        "outside the event",
                        "please look",
                        f"{name} was made {taken.isoformat()}, {outside:.0f} min outside event {line.event}"
                        f" ({line.text['eventDate']})",
                        row=line.row,
                        image=name,
                        proposal="A wrong date, card or camera clock; a photographed clock tells (passage-cv pair)",
                    )
                )
    return findings


def _two_of_one_event(batch: CheckedBatch) -> list[Finding]:
    findings = []
    for name in _ONE_PER_EVENT:
        found: dict[str, dict[str, Line]] = defaultdict(dict)
        for line in batch.kept_lines():
            if line.event and line.text[name]:
                found[line.event].setdefault(line.text[name], line)
        findings += [
            Finding(
                "event with two values",
                "must resolve",
                f"Event {event} has {name} "
                + " and ".join(f"{text} (row {line.row})" for text, line in lines.items()),
                row=max(line.row for line in lines.values()),
            )
            for event, lines in found.items()
            if len(lines) > 1
        ]
    return findings


def _first_lines(batch: CheckedBatch, name: str) -> dict[str, Line]:
    """Each filled-in value of a column with the first line that has it."""
    first: dict[str, Line] = {}
    for line in batch.kept_lines():
        if line.text[name]:
            first.setdefault(line.text[name], line)
    return first
