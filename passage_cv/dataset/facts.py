"""What is known about the data set beside its pictures and sheets: roles and amendments (formats 6).

Each is one canonical JSON file named by its hash, appended and never changed.
"""

from __future__ import annotations

import json
from typing import Literal, TypeVar

from passage_cv.config import Settings, parse_settings
from passage_cv.dataset.store import Store
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.records import Role


class DrawFact(Settings):
    """One unit's role and its place in the blocks."""

    unit: str
    stratum: str
    block: int
    slot: int
    role: Role


class RolesFact(Settings):
    """What accepting a batch fixed: its draws, exclusions and the hashes of its files in ``batches/``."""

    format: Literal[1] = 1
    kind: Literal["roles"] = "roles"
    batch: str
    author: str
    at: str
    seed: int
    unit: Literal["trip", "individual"]
    draws: tuple[DrawFact, ...]
    excluded: dict[str, str]
    left_out: dict[str, str]
    files: dict[str, str]


F = TypeVar("F", bound=Settings)


def put_fact(store: Store, fact: Settings) -> str:
    """Keep a fact, and return its hash."""
    data = canonical_json(fact.model_dump(mode="json"))
    sha256 = sha256_bytes(data)
    store.storage.put(f"facts/{sha256}.json", data)
    return sha256


def read_fact(store: Store, sha256: str, model: type[F]) -> F:
    """Read one fact.

    Raises
    ------
    InputError
        If it is missing or not of that kind.
    """
    path = f"facts/{sha256}.json"
    try:
        values = json.loads(store.storage.read(path))
    except (FileNotFoundError, ValueError) as error:
        raise InputError(
            "A fact of this version cannot be read",
            where=store.place(path),
            do="Run versions verify, and restore the file from a copy.",
        ) from error
    return parse_settings(values, model, where=store.place(path))
