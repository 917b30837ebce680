"""What a crew gets back for a batch: counts, roles, hashes, what was left out and why."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import pyarrow as pa

from passage_cv.dataset.applying import apply_amendments
from passage_cv.dataset.permit_counts import uses_of
from passage_cv.dataset.registers import register_of
from passage_cv.dataset.rows import batch_rows
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import distinct, rows_with, tuples
from passage_cv.dataset.versions import Version
from passage_cv.files import canonical_json, sha256_bytes

COLLECTED = ("trip", "site", "event_date", "recordedBy", "setup_id", "camera", "purpose", "permit")
"""Columns of a batch's rows that say where its fish come from."""
WRITTEN_BY_CHECK = frozenset({"findings.json", "looks.json", "stated.json"})
"""Files of a batch that nobody handed in."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """One accepted batch as it stands in a version.

    ``changed`` is False where the store already had the batch. ``roles`` counts individuals and images;
    ``classes`` counts individuals per class and role; ``excluded`` counts images per reason. ``findings`` and
    ``let_stand`` are those of format 2, the latter with who and why, as are the ``corrected`` cells; ``pictures``
    maps image to SHA-256. ``paired_by`` signed which pictures belong to which line, where the sheet did not say;
    ``counted`` are fish of lines that only count; ``permits`` the running counts of the batch's permits with it;
    ``collected`` the different values of each of :data:`COLLECTED`.
    Batches from before these were kept have none of them.
    """

    batch: str
    version: str
    changed: bool
    author: str
    at: str
    unit: str
    n_images: int
    n_individuals: int
    roles: Mapping[str, Mapping[str, int]]
    classes: Mapping[str, Mapping[str, int]]
    excluded: Mapping[str, int]
    left_out: Mapping[str, str]
    files: Mapping[str, str]
    segment_sha256: str
    pictures: Mapping[str, str]
    findings: Sequence[Mapping[str, Any]]
    let_stand: Sequence[Mapping[str, Any]]
    corrected: Sequence[Mapping[str, Any]] = ()
    left_out_by: Mapping[str, str] = field(default_factory=dict)
    paired_by: str = ""
    counted: Mapping[str, int] = field(default_factory=dict)
    permits: Sequence[Mapping[str, Any]] = ()
    collected: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return asdict(self)


def build_receipt(version: Version, batch: str, *, changed: bool) -> Receipt:
    """The receipt of one batch of a version; the batch may have come under another folder's name."""
    entry = version.find_batch(batch)
    assert entry is not None
    fact = version.roles_fact(entry)
    rows = apply_amendments(batch_rows(version.store, entry, None, version.filled_facts), version.amendments)
    out = rows_with(rows, "role", "excluded")
    said = json.loads(version.store.storage.read(f"batches/{entry.id}/findings.json"))
    return Receipt(
        batch=entry.id,
        version=version.name,
        changed=changed,
        author=fact.author,
        at=fact.at,
        unit=fact.unit,
        n_images=len(rows),
        n_individuals=_individuals(rows),
        roles={role: {"individuals": _individuals(part), "images": len(part)} for role, part in _split(rows, "role")},
        classes={
            name: {role: _individuals(each) for role, each in _split(part, "role")}
            for name, part in _split(rows, "scientificName")
            if name
        },
        excluded={reason: len(part) for reason, part in _split(out, "excluded_reason")},
        left_out=fact.left_out,
        files=fact.files,
        segment_sha256=entry.segment,
        pictures=dict(tuples(rows, "image", "image_sha256")),
        findings=said["findings"],
        let_stand=said["let_stand"],
        corrected=said.get("corrected", ()),
        left_out_by=said.get("left_out_by", {}),
        paired_by=said.get("paired_by", ""),
        counted=said.get("counted", {}),
        permits=[
            asdict(one)
            for one in uses_of(register_of(version), fact.handled)
            if one.permit in distinct(rows, "permit")
        ],
        collected={name: named for name in COLLECTED if (named := [one for one in distinct(rows, name) if one])},
    )


def has_receipt(store: Store, batch: str) -> bool:
    """Whether a receipt lies beside the batch's sheet."""
    return any(
        name.startswith("receipt-") and name.endswith(".json") for name in store.storage.names(f"batches/{batch}")
    )


def keep_receipt(store: Store, receipt: Receipt, page: str) -> None:
    """Put the receipt beside the batch's sheet, as JSON and as a page, under names that say their content."""
    for data, ending in ((page.encode(), "html"), (canonical_json(receipt.as_dict()), "json")):
        store.storage.put(f"batches/{receipt.batch}/receipt-{sha256_bytes(data)[:12]}.{ending}", data)


def _split(table: pa.Table, column: str) -> list[tuple[str, pa.Table]]:
    return [(value, rows_with(table, column, value)) for value in distinct(table, column)]


def _individuals(table: pa.Table) -> int:
    return len(set(distinct(table, "individual")) - {""})
