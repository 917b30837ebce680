"""Propose which pictures belong to which line: by folder, by slates, by time, or by order alone.

Pure functions from lines and shots to a :class:`Timeline`; nothing is read or written here. Times are compared as
wall-clock times of the site, which is what cameras and crews keep.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from itertools import groupby, pairwise
from pathlib import PurePosixPath

from passage_cv.intake.pairing_breaks import divide, longest_pause
from passage_cv.intake.timeline import PairLine, Series, Shot, Timeline
from passage_cv.intake.times import parse_instant, parse_window

MOSTLY = 0.8
"""Part of the pictures that must lie in folders of known fish before folders decide [ours]."""


@dataclass(frozen=True, slots=True)
class _Anchor:
    """From this shot on the pictures are those of a line and the ones after it; None: of a line that is not there."""

    shot: int
    line: int | None
    sure: float
    why: str


def match_shots(lines: Sequence[PairLine], shots: Sequence[Shot], clocks: Mapping[str, float]) -> Timeline:
    """Propose the pairing of pictures and lines.

    Parameters
    ----------
    lines
        In the sheet's order.
    shots
        In any order; those set aside stay aside, those with a slate's number are anchors.
    clocks
        For each camera, seconds to add to its clock.
    """
    by_folder = _lines_of_folders(lines, [shot.image for shot in shots if not shot.aside])
    if by_folder and sum(row is not None for row in by_folder.values()) >= MOSTLY * len(by_folder):
        return _by_folder(lines, shots, clocks, by_folder)
    zone = zone_of(lines)
    moments = {shot.image: wall_clock(shot, clocks, zone) for shot in shots}
    ordered = _in_order(shots, moments)
    anchors, method, notes = _anchors(lines, ordered, moments)
    series = _series(lines, ordered, moments, anchors)
    notes += _doubts(lines, series)
    return Timeline(tuple(lines), tuple(ordered), tuple(series), dict(clocks), method, tuple(notes))


def natural_key(text: str) -> list[tuple[int, str]]:
    """A key that sorts numbers by their value, as cameras count: ``IMG_9`` before ``IMG_10``."""
    return [(int(part), "") if part.isdigit() else (-1, part.casefold()) for part in re.findall(r"\d+|\D+", text)]


def _by_folder(
    lines: Sequence[PairLine], shots: Sequence[Shot], clocks: Mapping[str, float], rows: Mapping[str, int | None]
) -> Timeline:
    places = {line.row: i for i, line in enumerate(lines)}

    def key(shot: Shot) -> tuple[int, str, list[tuple[int, str]]]:
        row = rows.get(shot.image)
        return places[row] if row is not None else len(lines), _folder(shot.image), natural_key(shot.image)

    ordered = sorted(shots, key=key)
    used = [shot for shot in ordered if not shot.aside]
    series = [
        _folder_series(folder, row, [shot.image for shot in group])
        for (row, folder), group in groupby(used, key=lambda shot: (rows[shot.image], _folder(shot.image)))
    ]
    loose = sorted({_folder(one.images[0]) for one in series if one.row is None})
    notes = [f"No line for the pictures in {', '.join(loose)}"] if loose else []
    return Timeline(tuple(lines), tuple(ordered), tuple(series), dict(clocks), "folder", tuple(notes))


def _folder_series(folder: str, row: int | None, images: Sequence[str]) -> Series:
    if row is None:
        return Series(tuple(images), None, f"folder {folder or '.'} names no fish of the sheet", 0.0)
    return Series(tuple(images), row, f"folder {folder}", 0.95)


def _folder(image: str) -> str:
    parent = PurePosixPath(image).parent.as_posix()
    return "" if parent == "." else parent


def _lines_of_folders(lines: Sequence[PairLine], images: Sequence[str]) -> dict[str, int | None]:
    """For each picture the row of the one line whose fish its folder names, None where none or several do.

    Folders are looked at once each, however many pictures lie in them.
    """
    called: dict[str | int, dict[int, PairLine]] = defaultdict(dict)
    for line in lines:
        for name in _names_of(line):
            called[name][line.row] = line
    rows: dict[PurePosixPath, int | None] = {}
    for folder in {PurePosixPath(image).parent for image in images}:
        rows[folder] = _line_of_folder(folder, called)
    return {image: rows[PurePosixPath(image).parent] for image in images}


def _line_of_folder(folder: PurePosixPath, called: Mapping[str | int, Mapping[int, PairLine]]) -> int | None:
    """The one line whose fish a folder names, of the event that an upper folder names where one does."""
    *upper, own = folder.parts or ("",)
    fits = {row: line for name in _meanings(own) for row, line in called.get(name, {}).items()}
    inside = [row for row, line in fits.items() if line.event in upper]
    found = inside or list(fits)
    return found[0] if len(found) == 1 else None


def _names_of(line: PairLine) -> set[str | int]:
    """What a folder may be called that holds one line's fish; a number counts as such, with any zeros before it."""
    names: set[str | int] = {line.fish, line.fish.replace("/", "-"), line.individual}
    return (names | {int(line.individual)} if line.individual.isdecimal() else names) - {""}


def _meanings(folder: str) -> tuple[str | int, ...]:
    """A folder's name as it stands, and the number of a fish that it gives."""
    number = re.fullmatch(r"(?:fish|ind|individual|no|nr|#)?[\s_.-]*0*(\d+)", folder, re.IGNORECASE)
    return (folder, int(number[1])) if number else (folder,)


def zone_of(lines: Sequence[PairLine]) -> tzinfo | None:
    """The offset of the first line that states one: over a night of clock change all times are told by this one."""
    windows = (parse_window(line.time) for line in lines if line.time)
    return next((window.start.tzinfo for window in windows if window and window.start.tzinfo), None)


def wall_clock(shot: Shot, clocks: Mapping[str, float], zone: tzinfo | None) -> datetime | None:
    """When a picture was made on the site's clock, with what was stated of its camera's clock."""
    moment = parse_instant(shot.taken_at) if shot.taken_at else None
    if moment is None:
        return None
    return on_clock(moment, zone) + timedelta(seconds=clocks.get(shot.camera, 0.0))


def _in_order(shots: Sequence[Shot], moments: Mapping[str, datetime | None]) -> list[Shot]:
    """By time where every picture has one, else by name."""
    by_name = sorted(shots, key=lambda shot: natural_key(shot.image))
    known = {image: moment for image, moment in moments.items() if moment}
    return by_name if len(known) < len(moments) else sorted(by_name, key=lambda shot: known[shot.image])


def _anchors(
    lines: Sequence[PairLine], ordered: Sequence[Shot], moments: Mapping[str, datetime | None]
) -> tuple[list[_Anchor], str, list[str]]:
    if any(shot.slate for shot in ordered):
        anchors, notes = _slate_anchors(lines, ordered)
        return anchors, "slate", notes
    zone = zone_of(lines)
    times = [line_moment(line, zone) for line in lines]
    known = [moments[shot.image] for shot in ordered]
    if all(times) and all(known) and len(set(times)) > 1:
        return _time_anchors(lines, times, known), "time", []  # type: ignore[arg-type]  # none of them is None
    timeless = sum(moment is None for moment in known)
    note = f"{timeless} of {len(known)} pictures carry no time; all stand in order of their names"
    return [], "order", [note] if timeless else []


def _slate_anchors(lines: Sequence[PairLine], ordered: Sequence[Shot]) -> tuple[list[_Anchor], list[str]]:
    """Each slate begins the pictures of its fish; a number of two events means the next one in the sheet."""
    anchors: list[_Anchor] = []
    notes: list[str] = []
    last = -1
    places: dict[str, list[int]] = defaultdict(list)
    for i, one in enumerate(lines):
        places[one.individual.lstrip("0")].append(i)
    for place, shot in enumerate(ordered):
        if not shot.slate:
            continue
        fits = places.get(shot.slate.lstrip("0"), [])
        line = next((i for i in fits if i > last), fits[-1] if fits else None)
        if line is None:
            notes.append(f"{shot.image} is a slate of fish {shot.slate}, which no line has")
        elif line <= last:
            notes.append(f"{shot.image} is a slate of fish {shot.slate}, after one of a later fish")
        last = max(last, line if line is not None else last)
        anchors.append(_Anchor(place, line, 0.98, f"slate {shot.slate}"))
    return anchors, notes


def line_moment(line: PairLine, zone: tzinfo | None) -> datetime | None:
    """The time at which a line begins, on the clock of the site as the first line has it."""
    window = parse_window(line.time) if line.time else None
    return on_clock(window.start, zone) if window else None


def on_clock(moment: datetime, zone: tzinfo | None) -> datetime:
    """A moment as the zone's clock shows it; one without an offset is that already."""
    return (moment.astimezone(zone) if zone and moment.tzinfo else moment).replace(tzinfo=None)


def _time_anchors(lines: Sequence[PairLine], times: Sequence[datetime], known: Sequence[datetime]) -> list[_Anchor]:
    """A break between two times of lines: half way, or at the longest pause where the lines give days only.

    ``known`` are the pictures' times in ascending order.
    """
    anchors = [_Anchor(0, 0, 0.8, "time")]
    firsts = [i for i in range(1, len(lines)) if times[i] > times[i - 1]]
    for before, i in pairwise([0, *firsts]):
        cut = _cut(times[before], times[i], known, by_day="T" not in lines[i].time)
        anchors.append(_Anchor(max(cut, anchors[-1].shot), i, 0.8, "time"))
    return anchors


def _cut(start: datetime, end: datetime, known: Sequence[datetime], *, by_day: bool) -> int:
    if not by_day:
        middle = start + (end - start) / 2
        return bisect_left(known, middle)
    noon = timedelta(hours=12)  # a night's pictures run over midnight: the pause is looked for from noon to noon
    first = max(0, bisect_left(known, end - noon) - 1)
    last = bisect_left(known, end + noon) + 1
    cut = longest_pause(known[first:last])
    return first + cut if cut else bisect_left(known, end)


def _series(
    lines: Sequence[PairLine],
    ordered: Sequence[Shot],
    moments: Mapping[str, datetime | None],
    anchors: Sequence[_Anchor],
) -> list[Series]:
    """Stretch by stretch between anchors: pictures divided by pauses, lines taken in order."""
    marks = list(anchors)
    if not marks or marks[0].shot > 0 or marks[0].line != 0:
        marks.insert(
            0, _Anchor(0, 0, 0.0, "") if not marks or (marks[0].line or 0) > 0 else _Anchor(0, None, 0.0, "")
        )
    ends = [(mark.shot, mark.line) for mark in marks[1:]] + [(len(ordered), len(lines))]
    anchored = {mark.line for mark in anchors}
    found: list[Series] = []
    for mark, (shot_end, line_end) in zip(marks, ends, strict=True):
        used = [shot.image for shot in ordered[mark.shot : shot_end] if not shot.aside]
        own: Sequence[PairLine] = ()
        if mark.line is not None:
            stop = line_end if line_end is not None and line_end > mark.line else mark.line + 1
            own = [lines[i] for i in range(mark.line, stop) if i == mark.line or i not in anchored]
        found += _stretch(used, own, [moments[image] for image in used], mark)
    return found


def _stretch(
    images: Sequence[str], lines: Sequence[PairLine], moments: Sequence[datetime | None], mark: _Anchor
) -> list[Series]:
    if not images:
        return []
    division = divide(moments, len(lines))
    bounds = [0, *division.cuts, len(images)]
    sure = mark.sure if len(lines) == 1 and mark.sure else division.sure
    why = f"{mark.why}: {division.why}" if mark.why else division.why
    return [
        Series(tuple(images[a:b]), lines[i].row, why, sure)
        if i < len(lines)
        else Series(tuple(images[a:b]), None, f"{why}; no line is left", 0.0)
        for i, (a, b) in enumerate(pairwise(bounds))
    ]


def _doubts(lines: Sequence[PairLine], series: Sequence[Series]) -> list[str]:
    """What the person who looks should know first."""
    doubts = []
    n_series = sum(1 for one in series if one.row is not None)
    if n_series < len(lines):
        doubts.append(f"{len(lines) - n_series} of {len(lines)} lines have no pictures; one may have been skipped")
    loose = [one for one in series if one.row is None]
    if loose:
        doubts.append(f"{len(loose)} series are for no line, first {loose[0].images[0]}")
    return doubts
