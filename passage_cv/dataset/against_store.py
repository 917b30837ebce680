"""What a batch says that the store contradicts: findings that only show beside earlier batches."""

from __future__ import annotations

from collections.abc import Iterator

import pyarrow as pa

from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import distinct, rows_among, rows_with, rows_without, tuples, values
from passage_cv.records import Finding

_EVENT_COLUMNS = ("event_date", "site", "trip")


def findings_against(segment: pa.Table, rows: pa.Table, store: Store) -> list[Finding]:
    """Findings of a batch against the rows of the newest version.

    Parameters
    ----------
    segment
        The batch's rows.
    rows
        The rows of the newest version.
    store
        Where they are.
    """
    return [
        *_missing_trips(segment, store),
        *_known_pictures(segment, rows),
        *_other_species(segment, rows),
        *_other_events(segment, rows),
    ]


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
