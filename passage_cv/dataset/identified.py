"""Who a fish's name comes from where an amendment changed it: the person, the day and the reason of the last word.

The rows of a version keep who named the fish first, so that nobody reads his or her own fish again; an export that
says who identified it must say who stands behind the name that it carries.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from passage_cv.dataset.applying import apply_amendments, rows_of
from passage_cv.dataset.facts import Amendment
from passage_cv.dataset.tables import tuples
from passage_cv.dataset.versions import Version

_COLUMNS = ("image_sha256", "scientificName", "identifiedBy", "identificationMethod")


@dataclass(frozen=True, slots=True)
class Identified:
    """One identification; ``at`` is empty for that of the sheet, which does not say when, and so is ``why``."""

    name: str
    by: str
    at: str = ""
    method: str = ""
    why: str = ""


def identifications(version: Version) -> dict[str, tuple[Identified, ...]]:
    """What each relabelled picture was called: by the sheet first, last as it stands; others are left out."""
    if not any(one.kind == "relabel" for one in version.amendments):
        return {}
    rows = version.received(_COLUMNS)
    first = {
        sha256: Identified(name, by or "", method=method or "")
        for sha256, name, by, method in tuples(rows, *_COLUMNS)
    }
    found: dict[str, tuple[Identified, ...]] = {}
    for sha256, amendment in _relabels(version):
        one = Identified(amendment.becomes, amendment.author, amendment.at, amendment.method, amendment.why)
        found[sha256] = (*found.get(sha256, (first[sha256],)), one)
    return found


def _relabels(version: Version) -> Iterator[tuple[str, Amendment]]:
    """Each relabel with each picture that it was about when it was made."""
    rows = version.received(_COLUMNS)
    for amendment in version.amendments:
        if amendment.kind == "relabel":
            yield from (
                (sha256, amendment) for (sha256,) in tuples(rows.filter(rows_of(rows, amendment)), "image_sha256")
            )
        rows = apply_amendments(rows, [amendment])
