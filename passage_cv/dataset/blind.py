"""The individuals of a version as one record each, and the tokens that hide which is which from a reader."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from passage_cv.dataset.tables import tuples
from passage_cv.dataset.versions import Version
from passage_cv.files import sha256_bytes
from passage_cv.intake.columns import GATE_VIEW
from passage_cv.intake.dispute_checks import initials
from passage_cv.records import Role

_COLUMNS = (
    "individual",
    "image_sha256",
    "scientificName",
    "role",
    "trip",
    "identificationMethod",
    "identifiedBy",
    "recordedBy",
    "purpose",
    "batch",
    "row",
    "excluded_reason",
)

CONFIRMING = ("second reader", "counts and measurements", "genetic", "voucher")
"""Identification methods (formats 1) that confirm a label until a reader contradicts; ``field`` does not."""
CONCLUSIVE = ("genetic",)
"""Methods that no look at a picture contradicts."""
UNCONFIRMED = "not confirmed by a second look"
"""How the reason begins for which a look-alike is left out until readers confirm it."""


@dataclass(frozen=True, slots=True)
class Fish:
    """One individual: its label as it stands, its role, and who named it from what.

    ``views`` are the images that are gate views: a length board or a voucher may have the name written beside it.
    ``identifiers`` are those who identified it, or who wrote it down where nobody is said to have; ``lines`` its
    batches and rows in their sheets.
    """

    individual: str
    name: str
    role: Role
    images: tuple[str, ...]
    views: tuple[str, ...]
    trips: frozenset[str]
    methods: frozenset[str]
    identifiers: frozenset[str]
    lines: frozenset[tuple[str, int]]


def is_one_of(reader: str, people: Iterable[str]) -> bool:
    """Whether a reader is among the people that some cells name, in full or by initials.

    Examples
    --------
    >>> is_one_of("tbo", ["RKV; TBO"]), is_one_of("EQ", ["Elin Quarrie"]), is_one_of("ELQ", ["TBO"])
    (True, True, False)
    """
    return any(initials(reader) & initials(cell) for cell in people)


def fish_of(version: Version, *, used_only: bool = False, parts: Collection[str] | None = None) -> list[Fish]:
    """Every individual of a version, or of some of its parts, in sheet order.

    With ``used_only`` those that some role uses.

    A fish with pictures in a role and excluded ones has that role; ``used_only`` leaves the excluded ones out, but
    for those that only wait to be confirmed.
    """
    rows: dict[str, list[tuple[Any, ...]]] = {}
    for individual, *rest in tuples(version.table(_COLUMNS, parts=parts), *_COLUMNS):
        if individual and not (used_only and rest[2] == "excluded" and not rest[-1].startswith(UNCONFIRMED)):
            rows.setdefault(individual, []).append(tuple(value or "" for value in rest))
    return [_fish(individual, own) for individual, own in rows.items()]


@lru_cache(maxsize=1 << 17)
def token_of(key: str, reader: str, individual: str) -> str:
    """A name for a fish that says nothing about it, another one for each reader.

    It begins with a letter: spreadsheets take hex digits with an ``e`` among them for a number.
    """
    return "f" + sha256_bytes(f"{key}/{reader}/{individual}".encode())[:15]


def _fish(individual: str, rows: list[tuple[Any, ...]]) -> Fish:
    images, names, roles, trips, methods, identified, recorded, purposes, batches, numbers, _ = zip(
        *rows, strict=True
    )
    used: list[Role] = [role for role in roles if role != "excluded"]
    return Fish(
        individual=individual,
        name=names[0],
        role=used[0] if used else "excluded",
        images=tuple(images),
        views=tuple(image for image, purpose in zip(images, purposes, strict=True) if purpose == GATE_VIEW),
        trips=_said(trips),
        methods=_said(methods),
        identifiers=_said(identified) or _said(recorded),
        lines=frozenset(zip(batches, numbers, strict=True)),
    )


def _said(values: Iterable[str]) -> frozenset[str]:
    return frozenset(value.strip() for value in values if value.strip())
