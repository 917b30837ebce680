"""What a version of the data set already holds for a plan: individuals, or trips, in role ``cut`` by class."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

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
        Its classes are found by scientific name, and by mark, sex or life stage where a class asks for it; its mode
        says what is counted.

    Notes
    -----
    Only gate views count, as only they reach the cutoffs. An individual counts once, whatever its images. One whose
    mark or sex nobody examined counts for no class that asks for it.
    """
    unit = "individual" if policy.mode == "fish" else "trip"
    found: dict[str, set[str]] = defaultdict(set)
    for row in images.select(["scientificName", "role", "purpose", unit, *policy.asked_columns]).to_pylist():
        code = _class_of(row, policy)
        if row["role"] == "cut" and row["purpose"] == GATE_VIEW and row[unit] and code:
            found[code].add(row[unit])
    return {code: len(found[code]) for code in policy.codes}


def _class_of(row: Mapping[str, object], policy: Policy) -> str | None:
    """Code of the class of a row; None for another species, or where the sheet does not say what the classes ask."""
    own = (rule for rule in policy.classes if rule.scientific_name == row["scientificName"])
    return next((rule.code for rule in own if rule.where is None or rule.where.fits(row)), None)
