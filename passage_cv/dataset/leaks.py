"""Does anything stand on both sides? What a sceptic would look for between the roles of a version.

Each line of the report says what was looked at, how many, and how many were found in more than one role.
Things that must never be shared make the version unsound; things that are shared by design (sites, cameras,
and trips where individuals are drawn) are counted so that a reader can weigh them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from passage_cv.dataset.tables import known_rows, rows_with, rows_without, tuples, values
from passage_cv.dataset.versions import Version
from passage_cv.intake.columns import GATE_VIEW
from passage_cv.intake.look_checks import ALIKE_BITS
from passage_cv.intake.looks import bits_between
from passage_cv.intake.times import are_two_moments
from passage_cv.records import Role

MOST_PICTURES = 60_000
"""Pictures of one role of which all pairs of fingerprints are compared (about a minute); of more, so many drawn."""

USED: tuple[Role, ...] = ("train", "cut", "test")
_COLUMNS = (
    "image_sha256",
    "fingerprint",
    "taken_at",
    "individual",
    "organismID",
    "occurrence",
    "event",
    "trip",
    "site",
    "setup_id",
    "purpose",
    "role",
)
_BLOCK = 512


@dataclass(frozen=True, slots=True)
class Leak:
    """One thing looked for: ``shared`` of ``n`` stand in more than one role; ``allowed`` says whether they may."""

    what: str
    n: int
    shared: int
    allowed: bool
    examples: tuple[str, ...] = ()

    @property
    def is_fault(self) -> bool:
        """Whether something is shared that must not be."""
        return self.shared > 0 and not self.allowed


def find_leaks(version: Version) -> list[Leak]:
    """Look for everything that could tie two roles together.

    Returns
    -------
    list of Leak
        Pictures, tags, individuals, occurrences, near-duplicates and purposes must not be shared; trips and
        events must not where roles are drawn by trip.
    """
    rows = rows_without(version.table(_COLUMNS), "role", "excluded")
    by_trip = version.store.settings.unit == "trip"
    looked = [
        _shared(rows, "image_sha256", "pictures (SHA-256)", allowed=False),
        _shared(rows, "organismID", "tags", allowed=False),
        _shared(rows, "individual", "individuals", allowed=False),
        _shared(rows, "occurrence", "occurrences", allowed=False),
        _shared(rows, "trip", "trips", allowed=not by_trip),
        _shared(rows, "event", "events", allowed=not by_trip),
        _shared(rows, "site", "sites", allowed=True),
        _shared(rows, "setup_id", "set-ups", allowed=True),
        _other_purposes(rows),
    ]
    return [*looked, *_near_duplicates(rows)]


def _shared(rows: pa.Table, column: str, what: str, *, allowed: bool) -> Leak:
    roles: dict[str, set[str]] = defaultdict(set)
    for value, role in tuples(rows, column, "role"):
        if value:
            roles[value].add(role)
    shared = sorted(value for value, found in roles.items() if len(found) > 1)
    return Leak(what, len(roles), len(shared), allowed, tuple(shared[:3]))


def _other_purposes(rows: pa.Table) -> Leak:
    audited = [
        (sha256, purpose)
        for sha256, purpose, role in tuples(rows, "image_sha256", "purpose", "role")
        if role != "train"
    ]
    other = [sha256[:12] for sha256, purpose in audited if purpose != GATE_VIEW]
    return Leak(
        "pictures in cut and test that are no gate view",
        len(audited),
        len(other),
        allowed=False,
        examples=tuple(other[:3]),
    )


def _near_duplicates(rows: pa.Table) -> Iterator[Leak]:
    """Pictures of one moment in two roles, by fingerprint, over all pairs whose known times do not part them."""
    rows = known_rows(rows, "fingerprint")
    parts = {role: rows_with(rows, "role", role) for role in USED}
    for i, one in enumerate(USED):
        for other in USED[:i]:
            left, right = _sample(parts[other]), _sample(parts[one])
            what = f"near-duplicates between {other} and {one}"
            n_left, n_right = len(parts[other]), len(parts[one])
            if len(left) < n_left or len(right) < n_right:
                what += f", LOOKED AT {len(left)} x {len(right)} OF {n_left} x {n_right} PICTURES"
            yield _alike(left, right, what)


def _sample(rows: pa.Table) -> pa.Table:
    """The pictures to compare: all, or as many as can be, drawn at random with a fixed seed."""
    if len(rows) <= MOST_PICTURES:
        return rows
    return rows.take(np.sort(np.random.default_rng(0).choice(len(rows), MOST_PICTURES, replace=False)))


def _alike(left: pa.Table, right: pa.Table, what: str) -> Leak:
    prints, names = values(left, "fingerprint"), values(left, "image_sha256")
    others, other_names = values(right, "fingerprint"), values(right, "image_sha256")
    times, other_times = values(left, "taken_at"), values(right, "taken_at")
    found: list[str] = []
    nearest = 256
    for start in range(0, len(prints), _BLOCK):
        apart = bits_between(prints[start : start + _BLOCK], others)
        nearest = min(nearest, int(apart.min(initial=nearest)))
        found += [
            f"{names[start + i][:12]} and {other_names[j][:12]}"
            for i, j in np.argwhere(apart <= ALIKE_BITS)
            if not are_two_moments(times[start + i], other_times[j])
        ]
    what = f"{what} (nearest {nearest} of 256 bits apart)" if len(prints) and len(others) else what
    return Leak(what, len(prints) * len(others), len(found), allowed=False, examples=tuple(found[:3]))
