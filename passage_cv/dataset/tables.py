"""Small questions to Arrow tables, and roles onto rows: joins without a loop over images."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from passage_cv.records import Role


def values(table: pa.Table, column: str) -> list[Any]:
    """A column as a list; null is None."""
    return table[column].to_pylist()


def distinct(table: pa.Table, column: str) -> list[Any]:
    """The different values of a column, sorted, without null."""
    return sorted(value for value in table[column].unique().to_pylist() if value is not None)


def tuples(table: pa.Table, *columns: str) -> Iterable[tuple[Any, ...]]:
    """The rows of some columns."""
    return zip(*(values(table, name) for name in columns), strict=True)


def rows_with(table: pa.Table, column: str, value: str) -> pa.Table:
    """The rows where a column has this value."""
    return table.filter(pc.field(column) == pc.scalar(value))


def rows_without(table: pa.Table, column: str, value: str) -> pa.Table:
    """The rows where a column has another value."""
    return table.filter(pc.field(column) != pc.scalar(value))


def known_rows(table: pa.Table, column: str) -> pa.Table:
    """The rows where a column has a value; batches accepted before a column was kept have none."""
    there: Any = pc.is_valid(table[column])
    return table.filter(there)


def rows_among(table: pa.Table, column: str, wanted: Iterable[object]) -> pa.Table:
    """The rows where a column has one of these values."""
    return table.filter(pc.field(column).isin(pa.array(list(wanted), type=table.schema.field(column).type)))


def add_roles(rows: pa.Table, units: Mapping[str, Role], excluded: Mapping[str, str], *, unit: str) -> pa.Table:
    """Add ``unit_role``, ``role`` and ``excluded_reason`` to a table of images.

    Parameters
    ----------
    rows
        Segments, one row per image.
    units
        Role of each drawing unit.
    excluded
        Image hash to reason; such a row has role ``excluded``, whatever its unit drew.
    unit
        Column that names the drawing unit: ``trip`` or ``individual``.
    """
    drawn: Any = pc.fill_null(look_up(rows, unit, units), pa.scalar("excluded"))
    with_roles = rows.append_column("unit_role", drawn).append_column("role", drawn)
    none: Any = pa.array([""] * len(rows), type=pa.string())
    return exclude_rows(with_roles.append_column("excluded_reason", none), excluded)


def exclude_rows(rows: pa.Table, excluded: Mapping[str, str]) -> pa.Table:
    """Set role ``excluded`` and the reason for some images, by their hash."""
    if not excluded:
        return rows
    reasons: Any = look_up(rows, "image_sha256", excluded)
    role: Any = pc.if_else(pc.is_valid(reasons), pa.scalar("excluded"), rows["role"])
    why: Any = pc.coalesce(reasons, rows["excluded_reason"])
    names = rows.column_names
    return rows.set_column(names.index("role"), "role", role).set_column(
        names.index("excluded_reason"), "excluded_reason", why
    )


def lift_rows(rows: pa.Table, images: Collection[str]) -> pa.Table:
    """Give some images back the role their unit drew, by their hash."""
    if not images:
        return rows
    mask: Any = pc.is_in(rows["image_sha256"], value_set=pa.array(list(images), type=pa.string()))
    role: Any = pc.if_else(mask, rows["unit_role"], rows["role"])
    why: Any = pc.if_else(mask, pa.scalar(""), rows["excluded_reason"])
    names = rows.column_names
    return rows.set_column(names.index("role"), "role", role).set_column(
        names.index("excluded_reason"), "excluded_reason", why
    )


def look_up(table: pa.Table, column: str, known: Mapping[str, str]) -> pa.Array[Any]:
    """The value known of each key in a column, null where there is none."""
    keys = pa.array(list(known.keys()), type=pa.string())
    found: Any = pc.index_in(table[column].combine_chunks(), value_set=keys)
    return pa.array(list(known.values()), type=pa.string()).take(found)
