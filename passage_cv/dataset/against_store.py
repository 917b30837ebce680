"""What the store already knows about a batch's fish: contradictions, sightings, near-duplicates.

Comes in: a batch's rows and the newest version. Goes out: :class:`Earlier`, read once, from which findings
and the draw of roles follow.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
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
from passage_cv.intake.resolutions import KNOWN_NUMBERS
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
_NAMED = 3
"""How many of the fish that a finding is about it names."""


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
    """Fish known as another species, told together where an event was numbered twice, and known numbers."""
    for (event, batch), shared in _known_fish(segment, rows).items():
        differing = [fish for fish in shared if fish.name != fish.before]
        if event and len(differing) > 1 and 2 * len(differing) >= len(shared):
            yield _numbered_twice(event, batch, shared, differing)
            continue
        yield from (_two_species(fish, batch) for fish in differing)
        same = [fish for fish in shared if fish.name == fish.before and not fish.tag]
        if same:
            yield _known_numbers(event, batch, same)


@dataclass(frozen=True, slots=True)
class _Known:
    """A fish of the batch that an earlier batch has too, by its tag or by its number within the event."""

    individual: str
    tag: str
    name: str
    row: int
    before: str

    @property
    def number(self) -> str:
        """Its number within the event."""
        return self.individual.rpartition("/")[2]


def _known_fish(segment: pa.Table, rows: pa.Table) -> Mapping[tuple[str, str], list[_Known]]:
    """Fish of earlier batches that come again, by the event of the batch (none for tags) and the earlier batch."""
    known = rows_among(rows, "individual", set(distinct(segment, "individual")) - {""})
    earlier = {who: rest for who, *rest in tuples(known, "individual", "scientificName", "batch")}
    found: dict[tuple[str, str], list[_Known]] = defaultdict(list)
    said: set[str] = set()
    for who, tag, event, name, row in tuples(segment, "individual", "organismID", "event", "scientificName", "row"):
        if who in earlier and who not in said:
            said.add(who)
            before, batch = earlier[who]
            found["" if tag else event, batch].append(_Known(who, tag, name, row, before))
    return found


def _two_species(fish: _Known, batch: str) -> Finding:
    return Finding(
        "two species",
        "must resolve",
        f"Individual {fish.individual} is {fish.name} here and {fish.before} in batch {batch}",
        row=fish.row,
        proposal="Look at both fish; correct this line, or relabel the earlier one with an amendment",
    )


def _numbered_twice(event: str, batch: str, shared: Sequence[_Known], differing: Sequence[_Known]) -> Finding:
    first = ", ".join(f"{fish.number}: {fish.name} here, {fish.before} there" for fish in differing[:_NAMED])
    return Finding(
        "two species",
        "must resolve",
        f"{len(differing)} of {len(shared)} fish of event {event} that batch {batch} has too are other species there"
        f" ({first})",
        row=differing[0].row,
        proposal="Two crews may have numbered one event: give one of them its own eventID, or other numbers",
    )


def _known_numbers(event: str, batch: str, same: Sequence[_Known]) -> Finding:
    numbers = ", ".join(fish.number for fish in same[:_NAMED]) + (", ..." if len(same) > _NAMED else "")
    return Finding(
        KNOWN_NUMBERS,
        "must resolve",
        f"{len(same)} fish of event {event} have numbers that batch {batch} has too ({numbers}), of the same species",
        row=same[0].row,
        proposal="More pictures of the same fish: let it stand. Other fish: give one crew its own eventID or numbers",
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
