"""What the store already knows about a batch's fish: contradictions, sightings, near-duplicates.

Comes in: a batch's rows and the newest version. Goes out: :class:`Earlier`, read once, from which findings
and the draw of roles follow.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from passage_cv.dataset.keys import parts_to_read
from passage_cv.dataset.roles import RoleState
from passage_cv.dataset.rows import ROWS_SCHEMA
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import distinct, known_rows, rows_among, rows_with, rows_without, tuples, values
from passage_cv.dataset.versions import Version
from passage_cv.intake.look_checks import ALIKE_BITS
from passage_cv.intake.looks import FINGERPRINT_BITS, alike_pairs, bits_between
from passage_cv.intake.times import are_two_moments
from passage_cv.records import Finding

_EVENT_COLUMNS = ("event_date", "site", "trip")
_COLUMNS = (
    "image_sha256",
    "individual",
    "event",
    *_EVENT_COLUMNS,
    "scientificName",
    "batch",
    "fingerprint",
    "taken_at",
    "unit_role",
    "role",
)
_CHUNK = 200_000


@dataclass(frozen=True, slots=True)
class Alike:
    """A picture of the batch that looks like an earlier one, in the store or in the batch itself."""

    image: str
    earlier: str
    bits: int


@dataclass(frozen=True, slots=True)
class Earlier:
    """The newest version, those of its rows that matter (a few columns), what they fix for the draw, look-alikes."""

    rows: pa.Table
    state: RoleState = field(default_factory=RoleState)
    alike: tuple[Alike, ...] = ()
    before: Version | None = None

    def alike_images(self) -> Mapping[str, tuple[str, ...]]:
        """Each picture's earlier look-alikes, by content hash."""
        found: dict[str, list[str]] = defaultdict(list)
        for pair in self.alike:
            found[pair.image].append(pair.earlier)
        return {image: tuple(earlier) for image, earlier in found.items()}


def look_back(segment: pa.Table, before: Version | None) -> Earlier:
    """Read what the store has about a batch."""
    within = _alike_within(segment)
    if before is None:
        return Earlier(ROWS_SCHEMA.empty_table().select(list(_COLUMNS)), alike=within)
    rows = before.table(_COLUMNS, parts=parts_to_read(segment, before, ALIKE_BITS))
    alike = (*_alike_before(segment, rows), *within)
    return Earlier(rows, _state(segment, rows, before, {pair.earlier for pair in alike}), alike, before)


def findings_against(segment: pa.Table, earlier: Earlier, store: Store) -> list[Finding]:
    """Findings that only show beside earlier batches.

    Near-duplicates and repeat sightings are for looking at; all others must be resolved.
    """
    return [
        *_missing_trips(segment, store),
        *_known_pictures(segment, earlier.rows),
        *_other_species(segment, earlier.rows),
        *_seen_before(segment, earlier.rows),
        *_other_events(segment, earlier.rows),
        *_near_duplicates(segment, earlier),
    ]


def _state(segment: pa.Table, rows: pa.Table, before: Version, pictures: set[str]) -> RoleState:
    last = before.entries[-1] if before.entries else None
    fact = before.roles_fact(last) if last else None
    unit = before.store.settings.unit
    same_units = rows_without(rows_among(rows, unit, distinct(segment, unit)), "unit_role", "excluded")
    seen = rows_among(rows, "individual", set(distinct(segment, "individual")) - {""})
    used = rows_without(seen, "role", "excluded")
    looked_like = rows_without(rows_among(rows, "image_sha256", pictures), "role", "excluded")
    return RoleState(
        units=dict(tuples(same_units, unit, "unit_role")),
        individuals=dict(tuples(used, "individual", "role")),
        images=dict(tuples(looked_like, "image_sha256", "role")),
        drawn=fact.drawn if fact else {},
    )


def _alike_within(segment: pa.Table) -> tuple[Alike, ...]:
    images = values(segment, "image_sha256")
    times = values(segment, "taken_at")
    pairs = alike_pairs(values(segment, "fingerprint"), ALIKE_BITS)
    return tuple(Alike(images[j], images[i], bits) for i, j, bits in pairs if not are_two_moments(times[i], times[j]))


def _alike_before(segment: pa.Table, rows: pa.Table) -> Iterator[Alike]:
    """Look-alikes among earlier pictures of the same site: one moment has one place."""
    images, times = values(segment, "image_sha256"), values(segment, "taken_at")
    near = known_rows(rows_among(rows, "site", distinct(segment, "site")), "fingerprint")
    for start in range(0, len(near), _CHUNK):
        part = near.slice(start, _CHUNK)
        apart = bits_between(values(segment, "fingerprint"), values(part, "fingerprint"))
        for i, j in np.argwhere(apart <= ALIKE_BITS):
            if not are_two_moments(times[i], part["taken_at"][int(j)].as_py()):
                yield Alike(images[i], part["image_sha256"][int(j)].as_py(), int(apart[i, j]))


def _missing_trips(segment: pa.Table, store: Store) -> Iterator[Finding]:
    if store.settings.unit != "trip":
        return
    without = rows_without(rows_with(segment, "trip", ""), "individual", "")
    if len(without):
        yield Finding(
            "no trip",
            "must resolve",
            f"{len(without)} images have no trip, and this store draws roles by trip",
            row=values(without, "row")[0],
            proposal='Add trip = "..." to trip.toml',
        )


def _known_pictures(segment: pa.Table, rows: pa.Table) -> Iterator[Finding]:
    known = rows_among(rows, "image_sha256", values(segment, "image_sha256"))
    batches = dict(tuples(known, "image_sha256", "batch"))
    pictures, held = set(distinct(segment, "image_sha256")), set(batches.values())
    if len(pictures) > 1 and len(held) == 1 and pictures <= batches.keys():
        yield Finding(
            "picture in the store",
            "must resolve",
            f"All {len(pictures)} pictures are already in the store, in batch {held.pop()}",
            proposal="The same pictures with another sheet? To correct its lines, amend them; send no second batch",
        )
        return
    for sha256, image, row in tuples(segment, "image_sha256", "image", "row"):
        if sha256 in batches:
            yield Finding(
                "picture in the store",
                "must resolve",
                f"{image} is already in the store, in batch {batches[sha256]}",
                row=row,
                image=image,
                proposal="Exclude it by name; to correct the earlier line, amend it",
            )


def _other_species(segment: pa.Table, rows: pa.Table) -> Iterator[Finding]:
    known = rows_among(rows, "individual", set(distinct(segment, "individual")) - {""})
    earlier = {who: rest for who, *rest in tuples(known, "individual", "scientificName", "batch")}
    said: set[str] = set()
    for individual, name, row in tuples(segment, "individual", "scientificName", "row"):
        before, where = earlier.get(individual, [name, ""])
        if before != name and individual not in said:
            said.add(individual)
            yield Finding(
                "two species",
                "must resolve",
                f"Individual {individual} is {name} here and {before} in batch {where}",
                row=row,
                proposal="Look at both fish; correct this line, or relabel the earlier one with an amendment",
            )


def _seen_before(segment: pa.Table, rows: pa.Table) -> Iterator[Finding]:
    """Tags that the store knows from another event: recaptures, for somebody to compare the pictures."""
    tags = {who for who in distinct(segment, "organismID") if who}
    known = rows_among(rows, "individual", tags)
    earlier = {who: (event, batch) for who, event, batch in tuples(known, "individual", "event", "batch")}
    said: set[str] = set()
    for tag, event, row, image in tuples(segment, "organismID", "event", "row", "image"):
        before, where = earlier.get(tag, (event, ""))
        if before != event and tag not in said:
            said.add(tag)
            yield Finding(
                "repeat sighting",
                "please look",
                f"Tag {tag} of event {event} was seen before, in event {before} of batch {where}",
                row=row,
                image=image,
                proposal="Compare the pictures; a recapture keeps its role",
            )


def _other_events(segment: pa.Table, rows: pa.Table) -> Iterator[Finding]:
    known = rows_among(rows, "event", distinct(segment, "event"))
    earlier = {event: (rest, batch) for event, *rest, batch in tuples(known, "event", *_EVENT_COLUMNS, "batch")}
    said: set[str] = set()
    for event, *rest, row in tuples(segment, "event", *_EVENT_COLUMNS, "row"):
        before, where = earlier.get(event, (rest, ""))
        if before != rest and event not in said:
            said.add(event)
            yield Finding(
                "event in the store",
                "must resolve",
                f"Event {event} is {', '.join(rest)} here and {', '.join(before)} in batch {where}",
                row=row,
                proposal="Give each set its own eventID: fish are numbered within it",
            )


def _near_duplicates(segment: pa.Table, earlier: Earlier) -> Iterator[Finding]:
    known = rows_among(earlier.rows, "image_sha256", {pair.earlier for pair in earlier.alike})
    fish = {sha256: rest for sha256, *rest in tuples(known, "image_sha256", "individual", "batch")}
    ours = {sha256: rest for sha256, *rest in tuples(segment, "image_sha256", "individual", "image", "row")}
    for pair in earlier.alike:
        individual, image, row = ours[pair.image]
        other, batch = fish.get(pair.earlier, (individual, ""))
        if other != individual and pair.image != pair.earlier:
            yield Finding(
                "near-duplicate",
                "please look",
                f"{image} ({individual}) looks like a picture of {other} in batch {batch}:"
                f" {pair.bits} of {FINGERPRINT_BITS} bits apart",
                row=row,
                image=image,
                proposal="Look at both; if it is one fish, merge the two with an amendment",
            )
