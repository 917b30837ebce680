"""A pairing as it is proposed: pictures matched with lines, and what puts a camera's clock in doubt.

Pure functions. An offset that would explain the lines better is only said, with its evidence; a person states it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from statistics import median_low

from passage_cv.intake.clock_offsets import BetterClock, better_clock, offset_text
from passage_cv.intake.pairing_doubts import doubts_of
from passage_cv.intake.pairing_match import line_moment, match_shots, on_clock, wall_clock, zone_of
from passage_cv.intake.timeline import Doubt, PairLine, Shot, Timeline
from passage_cv.intake.times import parse_window

CLOCK_SLACK = timedelta(minutes=15)
"""Difference of pictures and lines above which a clock is doubted [ours]."""
LONGEST_EVENT = timedelta(hours=12)
"""An event of which only the start is known may have pictures until then [ours: a night's work]."""
MOVED = 0.2
"""Part of the pictures that must come to another line before an offset is worth a question [ours]."""
IN_DOUBT = 0.5
"""How sure a series is at most while the whole pairing is in doubt [ours: below what counts as sure]."""


def propose_match(lines: Sequence[PairLine], shots: Sequence[Shot], clocks: Mapping[str, float]) -> Timeline:
    """Propose the pairing of pictures and lines, with doubts about cameras' clocks.

    Parameters are those of :func:`passage_cv.intake.pairing_match.match_shots`. Series are unsure where the pairing
    as a whole is in doubt.
    """
    timeline = match_shots(lines, shots, clocks)
    if timeline.method == "slate":  # slates decide whose pictures they are; the clock is only worth a word
        return replace(timeline, notes=(*timeline.notes, *(one.said for one in _outside(timeline))))
    better = tuple(_better_clocks(timeline))
    known = {one.camera for one in better}
    doubts = (*better, *(one for one in _outside(timeline) if one.camera not in known))
    timeline = replace(timeline, clock_doubts=doubts)
    if not doubts_of(timeline):
        return timeline
    return replace(timeline, series=tuple(replace(one, sure=min(one.sure, IN_DOUBT)) for one in timeline.series))


def _better_clocks(timeline: Timeline) -> Iterator[Doubt]:
    """For each camera the offset that clearly explains more lines, where it would move pictures to other lines."""
    if timeline.method != "time":
        return
    zone = zone_of(timeline.lines)
    said = [_seconds(moment) for line in timeline.lines if line.is_own_time and (moment := line_moment(line, zone))]
    for camera, taken in _moments_by_camera(timeline).items():
        better = better_clock(said, [_seconds(moment) for moment in taken])
        if better and _moves_pictures(timeline, camera, better.seconds):
            yield Doubt(_evidence(camera, better), camera, timeline.clocks.get(camera, 0.0) + better.seconds)


def _evidence(camera: str, better: BetterClock) -> str:
    side = "behind" if better.seconds > 0 else "ahead of"
    near = f"{better.near_s / 60:.0f} min" if better.near_s >= 60 else f"{better.near_s:.0f} s"
    return (
        f"The clock of {camera or 'the camera'} may be {offset_text(abs(better.seconds))[1:]} {side} the sheet:"
        f" shifted by {offset_text(better.seconds)}, {better.then} of {better.lines} lines have pictures within"
        f" {near}; as it is {better.now} of {better.lines}"
    )


def _moves_pictures(timeline: Timeline, camera: str, seconds: float) -> bool:
    clocks = {**timeline.clocks, camera: timeline.clocks.get(camera, 0.0) + seconds}
    before, after = _rows(timeline), _rows(match_shots(timeline.lines, timeline.shots, clocks))
    own = [shot.image for shot in timeline.shots if shot.camera == camera and not shot.aside]
    return sum(before[image] != after[image] for image in own) >= MOVED * len(own)


def _rows(timeline: Timeline) -> dict[str, int | None]:
    return {image: one.row for one in timeline.series for image in one.images}


def _moments_by_camera(timeline: Timeline) -> dict[str, list[datetime]]:
    zone, found = zone_of(timeline.lines), defaultdict(list)
    for shot in timeline.shots:
        moment = None if shot.aside else wall_clock(shot, timeline.clocks, zone)
        if moment:
            found[shot.camera].append(moment)
    return dict(found)


def _outside(timeline: Timeline) -> Iterator[Doubt]:
    """A camera of which most pictures were made before the first line or after the last."""
    if timeline.method == "folder":
        return
    zone = zone_of(timeline.lines)
    starts = [moment for line in timeline.lines if "T" in line.time and (moment := line_moment(line, zone))]
    if not starts:
        return
    first = min(starts)
    last = max(end for line in timeline.lines if "T" in line.time and (end := _end(line, zone)))
    for camera, taken in _moments_by_camera(timeline).items():
        middle = median_low(taken)
        if first - CLOCK_SLACK <= middle <= last + CLOCK_SLACK:
            continue
        off = middle - median_low(starts)
        minutes, side = abs(off) / timedelta(minutes=1), "later" if off > timedelta(0) else "earlier"
        yield Doubt(
            f"The pictures of {camera or 'the camera'} were made {minutes:.0f} min {side} than the lines say; its"
            " clock may be off: state its offset, or what a photographed clock showed",
            camera,
        )


def _end(line: PairLine, zone: tzinfo | None) -> datetime | None:
    """Until when a line's pictures may have been made."""
    window = parse_window(line.time)
    if window is None:
        return None
    known = line.is_own_time or window.end > window.start
    return on_clock(window.end if known else window.end + LONGEST_EVENT, zone)


def _seconds(moment: datetime) -> float:
    return moment.replace(tzinfo=UTC).timestamp()
