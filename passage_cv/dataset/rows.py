"""The rows of accepted batches with the roles fixed at acceptance, one batch or a packed window at a time.

A pack holds a full window's rows in one Parquet file, so that a store of a million images opens in seconds.
It is derived: named by what it covers and by its own hash, made again from the segments where it is missing,
and never believed without its hash.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import pyarrow as pa
import pyarrow.parquet as pq

from passage_cv.dataset.facts import BatchEntry, RolesFact, read_fact
from passage_cv.dataset.segments import SCHEMA, decode_segment
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import add_roles
from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes

ROWS_SCHEMA = pa.schema(
    [
        *SCHEMA,
        pa.field("unit_role", pa.string()),
        pa.field("role", pa.string()),
        pa.field("excluded_reason", pa.string()),
    ]
)
"""Columns of a version: those of a segment, what the unit drew, the role, and why an image is excluded."""


Filled = Mapping[str, RolesFact]
NOTHING_FILLED: Filled = MappingProxyType({})


def read_segment(store: Store, sha256: str) -> pa.Table:
    """The rows of one batch as accepted.

    Raises
    ------
    InputError
        If the segment is missing or was changed.
    """
    path = f"segments/{sha256}.parquet"
    try:
        data = store.storage.read(path)
        if sha256_bytes(data) == sha256:
            return decode_segment(data)
    except (OSError, pa.ArrowException):  # a damaged file is an OSError to pyarrow
        pass
    raise InputError(
        "Rows of this version are missing or were changed",
        where=store.place(path),
        do="Run versions verify, and restore the file from a copy.",
    )


def batch_rows(
    store: Store, entry: BatchEntry, columns: Sequence[str] | None = None, filled: Filled = NOTHING_FILLED
) -> pa.Table:
    """One batch's rows with their roles; ``filled`` holds roles facts that do not stand by themselves."""
    fact = filled.get(entry.roles) or read_fact(store, entry.roles, RolesFact)
    rows = add_roles(read_segment(store, entry.segment), fact.units, fact.excluded, unit=fact.unit)
    return rows.select(list(columns)) if columns else rows


def window_rows(
    store: Store,
    window: str,
    entries: Sequence[BatchEntry],
    columns: Sequence[str] | None,
    packs: dict[str, str],
    filled: Filled = NOTHING_FILLED,
) -> pa.Table:
    """A full window's rows, from its pack where there is one.

    Parameters
    ----------
    store
        Where to read.
    window
        Hash of the window's fact.
    entries
        Its batches.
    columns
        Which columns to read; all by default.
    packs
        What :func:`find_packs` found.
    filled
        Roles facts of an old format, as they would stand today.
    """
    name = packs.get(window[:12])
    packed = _read_pack(store, name, columns) if name else None
    if packed is not None:
        return packed
    return pa.concat_tables([batch_rows(store, entry, columns, filled) for entry in entries])


def find_packs(store: Store) -> dict[str, str]:
    """Packs by the first 12 digits of their window's hash."""
    return {name[:12]: name for name in store.storage.names("packs")}


def write_pack(store: Store, window: str, entries: Sequence[BatchEntry], filled: Filled = NOTHING_FILLED) -> str:
    """Write the pack of a window, and return its name."""
    rows = pa.concat_tables([batch_rows(store, entry, None, filled) for entry in entries]).combine_chunks()
    sink = pa.BufferOutputStream()
    pq.write_table(rows, sink, compression="zstd", store_schema=False)
    data = sink.getvalue().to_pybytes()
    name = f"{window[:12]}-{sha256_bytes(data)[:12]}.parquet"
    store.storage.put(f"packs/{name}", data, durable=False)
    return name


def pack_matches(
    store: Store,
    window: str,
    entries: Sequence[BatchEntry],
    packs: dict[str, str],
    filled: Filled = NOTHING_FILLED,
) -> bool:
    """Whether a pack has the rows of its window's segments and facts."""
    packed = _read_pack(store, packs[window[:12]], None)
    return packed is not None and bool(packed.equals(window_rows(store, window, entries, None, {}, filled)))


def _read_pack(store: Store, name: str, columns: Sequence[str] | None) -> pa.Table | None:
    """The rows of a pack, or None where its bytes are not those it was named by."""
    data = store.storage.read(f"packs/{name}")
    if sha256_bytes(data)[:12] != name[13:25]:
        return None
    return pq.read_table(pa.BufferReader(data), columns=list(columns) if columns else None, schema=ROWS_SCHEMA)
