"""Amendments onto rows, in the order in which they were made."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from passage_cv.dataset.facts import Amendment
from passage_cv.dataset.tables import exclude_rows, lift_rows, values

AMENDED = (
    "image_sha256",
    "individual",
    "occurrence",
    "event",
    "scientificName",
    "code",
    "identificationMethod",
    "unit_role",
    "role",
    "excluded_reason",
)
"""Columns that amendments read or change."""


def apply_amendments(rows: pa.Table, amendments: Iterable[Amendment]) -> pa.Table:
    """The rows as they stand after some amendments; ``rows`` must have the columns of ``AMENDED``."""
    for amendment in amendments:
        rows = _apply(rows, amendment)
    return rows


def rows_of(rows: pa.Table, amendment: Amendment) -> pa.Array[Any]:
    """Which rows an amendment is about: a mask as long as the table."""
    wanted = amendment.images or (amendment.individual,)
    column: Any = rows["image_sha256" if amendment.images else "individual"].combine_chunks()
    mask: pa.Array[Any] = pc.is_in(column, value_set=pa.array(wanted))
    return mask


def _apply(rows: pa.Table, amendment: Amendment) -> pa.Table:
    mask = rows_of(rows, amendment)
    if amendment.kind == "relabel":
        rows = _set(rows, "scientificName", mask, amendment.becomes)
        rows = _set(rows, "code", mask, amendment.code)
        rows = _set(rows, "identificationMethod", mask, amendment.method) if amendment.method else rows
    elif amendment.kind in {"merge", "split"}:
        rows = _set(rows, "individual", mask, amendment.becomes)
        rows = _set(rows, "occurrence", mask, *_occurrences(rows.filter(mask), amendment.becomes))
    return lift_rows(exclude_rows(rows, amendment.excluded), amendment.lifted)


def _occurrences(rows: pa.Table, individual: str) -> list[str]:
    """Names of an individual's occurrences in the events of some rows."""
    return [
        individual if individual.startswith(f"{event}/") else f"{individual}@{event}"
        for event in values(rows, "event")
    ]


def _set(rows: pa.Table, column: str, mask: Any, *new: str) -> pa.Table:  # noqa: ANN401 - Arrow's own mask type
    """A column with new values where the mask is true: one for all, or one each."""
    replacement: Any = pa.scalar(new[0]) if len(new) == 1 else pa.array(new, type=pa.string())
    changed: Any = pc.replace_with_mask(rows[column].combine_chunks(), mask, replacement)
    return rows.set_column(rows.column_names.index(column), column, changed)
