"""What a version of the data set already holds for a plan: individuals, or trips, in role ``cut`` by class."""

from __future__ import annotations

from collections import defaultdict

import pyarrow as pa

from passage_cv.intake.columns import GATE_VIEW
from passage_cv.policy import Policy


def count_in_cut(images: pa.Table, policy: Policy) -> dict[str, int]:
    """Individuals (in the trip modes: trips) in role ``cut`` by class code of the policy.

    Parameters
    ----------
    images
        A version's table, one row per image (``Version.table()``).
    policy
        Its classes are found by scientific name; its mode says what is counted.

    Notes
    -----
    Only gate views count, as only they reach the cutoffs. An individual counts once, whatever its images.
    """
    codes = {rule.scientific_name: rule.code for rule in policy.classes}
    unit = "individual" if policy.mode == "fish" else "trip"
    found: dict[str, set[str]] = defaultdict(set)
    for row in images.select(["scientificName", "role", "purpose", unit]).to_pylist():
        if row["role"] == "cut" and row["purpose"] == GATE_VIEW and row[unit] and row["scientificName"] in codes:
            found[codes[row["scientificName"]]].add(row[unit])
    return {code: len(found[code]) for code in policy.codes}
