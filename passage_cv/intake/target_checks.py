"""Checks of reference-target pictures within a batch: there at start and end, readable, and alike.

Lines with purpose ``reference target`` are held against each other per event, set-up and camera. What they say
beside earlier batches is told when the batch is accepted, from the set-up's own history in the store.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.images import Picture
from passage_cv.intake.lines import Line
from passage_cv.intake.setups import setups_of
from passage_cv.intake.targets import Target
from passage_cv.intake.times import parse_instant
from passage_cv.records import Finding

PURPOSE = "reference target"
LIMITS: Mapping[str, float] = {"light": 0.15, "red_green": 0.05, "blue_green": 0.05, "marker_px": 0.02}
"""Change against the reference above which somebody is asked, as a part of it [ours: a lamp loses 15 % over
months, and 2 % of scale is 10 mm on a fish of 500 mm]."""
SHARPNESS_LEFT = 0.6
"""Part of the reference's sharpness below which somebody is asked [ours: droplets and film cost more]."""
WORDS = {
    "light": "light",
    "red_green": "red against green",
    "blue_green": "blue against green",
    "marker_px": "scale",
    "sharpness": "sharpness",
}


@dataclass(frozen=True, slots=True)
class Seen:
    """One measured picture of a target: on which line, by which camera, when."""

    line: Line
    picture: Picture
    target: Target

    @property
    def camera(self) -> str:
        """The camera by the sheet, else by the file."""
        return self.line.text["camera"] or self.picture.camera

    @property
    def taken_at(self) -> str:
        """When, by the sheet, else by the file; empty where nobody says."""
        return self.line.text["taken_at"] or self.picture.taken_at


def see_targets(batch: CheckedBatch) -> list[Seen]:
    """The reference targets of a batch as its one look at each picture measured them; unreadable ones left out."""
    rows = batch.first_lines()
    return [Seen(rows[one.name], one, one.target) for one in batch.images if one.target is not None]


def check_targets(batch: CheckedBatch) -> list[Finding]:
    """Events of described set-ups without a target at start and end, and targets that differ within an event."""
    seen = see_targets(batch)
    findings = [*_glaring(seen)]
    groups: dict[tuple[str, str, str], list[Seen]] = defaultdict(list)
    for one in seen:
        groups[one.line.event, one.line.text["setup_id"], one.camera].append(one)
    for (event, setup, camera), own in groups.items():
        findings += _within_event(event, camera or setup, own)
    return [*findings, *_without_target(batch, {(event, setup) for event, setup, _ in groups})]


def changes(before: Target, now: Target) -> Iterator[tuple[str, str]]:
    """What of a target changed beyond the limits: the quantity, and the change in words."""
    for name, limit in LIMITS.items():
        old, new = getattr(before, name), getattr(now, name)
        if old and new and abs(new / old - 1) > limit:
            yield name, f"{WORDS[name]} changed by {100 * (new / old - 1):+.0f} %"
    if before.sharpness and now.sharpness and now.sharpness < SHARPNESS_LEFT * before.sharpness:
        yield "sharpness", f"sharpness fell to {100 * now.sharpness / before.sharpness:.0f} %"


def _glaring(seen: list[Seen]) -> Iterator[Finding]:
    for one in seen:
        if one.target.is_glaring:
            yield Finding(
                "reference target",
                "please look",
                f"{one.picture.name}: the paper of the target is at {one.target.light:.0f} of 255, so its colour says"
                " nothing",
                row=one.line.row,
                image=one.picture.name,
                proposal="Shade the target or shorten the exposure; a changed exposure makes a new set-up",
            )


def _within_event(event: str, where: str, seen: list[Seen]) -> Iterator[Finding]:
    ordered = _in_time(seen)
    first, last = ordered[0], ordered[-1]
    if len(ordered) < 2:
        yield Finding(
            "reference target",
            "please look",
            f"Event {event} has one picture of the target by {where} ({first.picture.name}); start and end need one"
            " each",
            row=first.line.row,
            image=first.picture.name,
        )
    for _, words in changes(first.target, last.target):
        yield Finding(
            "reference target",
            "please look",
            f"Within event {event}, {where}: {words} from {first.picture.name} to {last.picture.name}",
            row=last.line.row,
            image=last.picture.name,
            proposal="Look at lens, lamp and settings of that event; wipe, and log it",
        )


def _in_time(seen: list[Seen]) -> list[Seen]:
    """By time where all are known and comparable, else in sheet order."""
    times = [parse_instant(one.taken_at) for one in seen]
    known = [time for time in times if time is not None]
    if len(known) < len(seen) or len({time.tzinfo is None for time in known}) > 1:
        return seen
    return [one for _, _, one in sorted(zip(known, range(len(seen)), seen, strict=True), key=lambda item: item[:2])]


def _without_target(batch: CheckedBatch, have: set[tuple[str, str]]) -> Iterator[Finding]:
    described = setups_of(batch)
    wanted: dict[tuple[str, str], int] = {}
    for line in batch.kept_lines():
        if line.shows_fish and line.images and line.text["setup_id"] in described:
            wanted.setdefault((line.event, line.text["setup_id"]), line.row)
    for (event, setup), row in wanted.items():
        if (event, setup) not in have:
            yield Finding(
                "reference target",
                "note",
                f"Event {event} has no picture of the reference target by set-up {setup}",
                row=row,
                proposal="Take one at start and end of the next event",
            )
