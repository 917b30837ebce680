"""What lies between two versions: images that came, and what was changed about those that were there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

from passage_cv.dataset.facts import Amendment
from passage_cv.dataset.tables import rows_among, tuples, values
from passage_cv.dataset.versions import Version

COMPARED = ("scientificName", "code", "individual", "role", "excluded_reason")
"""Columns that an amendment can change."""


@dataclass(frozen=True, slots=True)
class Change:
    """One image's column with its older and newer value."""

    image_sha256: str
    column: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Decision:
    """One amendment between the two versions: what was decided about which fish, by whom, when and why."""

    kind: str
    about: str
    becomes: str
    author: str
    at: str
    why: str


@dataclass(frozen=True, slots=True)
class VersionDiff:
    """From ``older`` to ``newer``: images that came, images that went, changed values, and who decided on them."""

    older: str
    newer: str
    batches: tuple[str, ...]
    n_came: int
    n_went: int
    changes: tuple[Change, ...]
    decisions: tuple[Decision, ...] = ()


def diff_versions(older: Version, newer: Version) -> VersionDiff:
    """Compare two versions of one store.

    Examples
    --------
    ``diff_versions(open_version(store, "1"), open_version(store)).n_came``
    """
    columns = ("image_sha256", *COMPARED)
    before, after = older.table(columns), newer.table(columns)
    known = {entry.id for entry in older.entries}
    return VersionDiff(
        older=older.name,
        newer=newer.name,
        batches=tuple(entry.id for entry in newer.entries if entry.id not in known),
        n_came=_n_missing(after, before),
        n_went=_n_missing(before, after),
        changes=tuple(_changes(before, after)),
        decisions=tuple(_decision(one) for one in newer.amendments[len(older.amendments) :]),
    )


def _decision(one: Amendment) -> Decision:
    n_images = len(one.images or {*one.excluded, *one.lifted})
    return Decision(one.kind, one.individual or f"{n_images} images", one.becomes, one.author, one.at, one.why)


def _n_missing(rows: pa.Table, others: pa.Table) -> int:
    return len(rows) - len(rows_among(rows, "image_sha256", values(others, "image_sha256")))


def _changes(before: pa.Table, after: pa.Table) -> Iterator[Change]:
    """Values that differ for images in both; looks only at rows that are not wholly the same."""
    key = "image_sha256"
    columns = [key, *COMPARED]
    both = before.select(columns).join(after.select(columns), key, right_suffix=":after", join_type="inner")
    for column in COMPARED:
        pairs = both.select([key, column, f"{column}:after"]).rename_columns([key, "before", "after"])
        differing = pairs.filter(pc.field("before") != pc.field("after"))
        for sha256, old, new in tuples(differing.sort_by(key), key, "before", "after"):
            yield Change(sha256, column, old, new)
