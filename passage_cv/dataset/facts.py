"""What is known about the data set beside its pictures and sheets (formats 6): roles, windows, amendments.

Each is one canonical JSON file named by its hash, appended and never changed. ``versions`` says which count.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field

from passage_cv.config import Settings, parse_settings
from passage_cv.dataset.store import Store
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.intake.permits import Permit
from passage_cv.intake.setups import Setup
from passage_cv.records import Role

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
AmendmentKind = Literal["relabel", "exclude", "merge", "split", "withdraw"]
"""What a person decides about single fish; ``confirm`` is decided for whole classes, see ``confirming``."""


class DrawFact(Settings):
    """One unit's role and its place in the blocks."""

    unit: str
    stratum: str
    block: int
    slot: int
    role: Role


class RolesFact(Settings):
    """What accepting a batch fixed: draws, exclusions, and the hashes of its files in ``batches/``.

    ``units`` holds the role of every unit of the batch, drawn now or earlier; ``drawn`` the units drawn per
    stratum, and ``handled`` the fish handled per permit and species, up to and with this batch. So a batch's roles,
    the next draw and the running counts need no earlier fact. Format 2
    (2026-11-25) says that both are there; some of format 1 lack them, see ``old_formats``.
    """

    format: Literal[1, 2] = 2
    kind: Literal["roles"] = "roles"
    batch: str
    author: str
    at: str
    seed: int
    unit: Literal["trip", "individual"]
    draws: tuple[DrawFact, ...]
    units: dict[str, Role] = Field(default_factory=dict)
    drawn: dict[str, int] = Field(default_factory=dict)
    handled: dict[str, dict[str, int]] = Field(default_factory=dict)
    excluded: dict[str, str]
    left_out: dict[str, str]
    files: dict[str, str]


class BatchEntry(Settings):
    """An accepted batch: its name, its rows and the facts fixed with it."""

    id: str
    segment: Sha256
    roles: Sha256


class WindowFact(Settings):
    """A full window of batches, so that a version names one hash instead of all of them."""

    format: Literal[1] = 1
    kind: Literal["window"] = "window"
    batches: tuple[BatchEntry, ...]


class Amendment(Settings):
    """One later decision about rows that are in the store: who, when, why, what.

    ``individual`` or ``images`` say which rows; ``becomes`` is the new species (relabel) or individual (merge,
    split); ``excluded`` maps images to the reason why no role may use them from now on, ``lifted`` names those
    that get back the role their unit drew. ``method`` is how a new label was found, empty where that stays.
    """

    format: Literal[1] = 1
    kind: AmendmentKind | Literal["confirm"]
    author: str
    at: str
    why: str
    individual: str = ""
    images: tuple[Sha256, ...] = ()
    becomes: str = ""
    code: str = ""
    method: str = ""
    excluded: dict[str, str] = Field(default_factory=dict)
    lifted: tuple[Sha256, ...] = ()


class RegisterFact(Settings):
    """Set-ups and permits put on file: by a batch that brought them, or by a person with a reason."""

    format: Literal[1] = 1
    kind: Literal["register"] = "register"
    author: str
    at: str
    why: str
    setups: tuple[Setup, ...] = ()
    permits: tuple[Permit, ...] = ()


F = TypeVar("F", bound=Settings)


def put_fact(store: Store, fact: Settings) -> str:
    """Keep a fact, and return its hash."""
    data = canonical_json(fact.model_dump(mode="json"))
    sha256 = sha256_bytes(data)
    store.storage.put(f"facts/{sha256}.json", data)
    return sha256


def read_fact(store: Store, sha256: str, model: type[F]) -> F:
    """Read one fact and check that it is the one its name says.

    Raises
    ------
    InputError
        If it is missing, was changed, or is not of that kind.
    """
    return parse_settings(_read_values(store, sha256), model, where=store.place(f"facts/{sha256}.json"))


def read_later_fact(store: Store, sha256: str) -> Amendment | RegisterFact:
    """Read a fact that a version names beside its batches.

    Raises
    ------
    InputError
        As :func:`read_fact`.
    """
    values = _read_values(store, sha256)
    where = store.place(f"facts/{sha256}.json")
    if values.get("kind") == "register":
        return parse_settings(values, RegisterFact, where=where)
    return parse_settings(values, Amendment, where=where)


def _read_values(store: Store, sha256: str) -> dict[str, Any]:
    """The values of a fact whose bytes are those of its name."""
    path = f"facts/{sha256}.json"
    try:
        data = store.storage.read(path)
        values = json.loads(data)
    except (FileNotFoundError, ValueError) as error:
        raise _damaged(store, path) from error
    if sha256_bytes(data) != sha256 or not isinstance(values, dict):
        raise _damaged(store, path)
    return values


def _damaged(store: Store, path: str) -> InputError:
    return InputError(
        "A fact of this version is missing or was changed",
        where=store.place(path),
        do="Run versions verify, and restore the file from a copy.",
    )
