"""The rows of a version whose pictures may still be looked at.

A version always says what it said, but consent that was withdrawn since took some of its pictures away. Whatever
looks at pictures, or counts fish by having looked, leaves those rows out and says how many there are.
"""

from __future__ import annotations

from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from passage_cv.dataset.tables import tuples
from passage_cv.dataset.versions import Version, latest_version, withdrawn_images


def available_rows(version: Version) -> pa.Table:
    """The table of a version without the pictures that were withdrawn, in it or since."""
    gone = withdrawn_images(latest_version(version.store))
    rows = version.table()
    if not gone:
        return rows
    there: Any = pc.invert(
        pc.is_in(rows["image_sha256"].combine_chunks(), value_set=pa.array(sorted(gone), pa.string()))
    )
    return rows.filter(there)


def n_withdrawn_since(version: Version, *roles: str) -> int:
    """How many pictures that some of these roles use in a version were withdrawn in a later one."""
    gone = withdrawn_images(latest_version(version.store))
    if not gone:
        return 0
    columns = ("image_sha256", "role")
    return sum(sha256 in gone and role in roles for sha256, role in tuples(version.table(columns), *columns))
