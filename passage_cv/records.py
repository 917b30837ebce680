"""Small frozen records and vocabularies that more than one part uses."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Literal

Role = Literal["train", "cut", "test", "excluded"]
"""What an individual's pictures may be used for; a fact in the store, never recomputed."""

ROLES: tuple[Role, ...] = ("train", "cut", "test", "excluded")

Severity = Literal["must resolve", "please look", "note"]


class Action(StrEnum):
    """What the gate is asked to do with one presentation."""

    PASS = "pass"  # noqa: S105 - a gate action, not a password
    HOLD = "hold"
    REJECT = "reject"
    NO_DECISION = "no decision"


@dataclass(frozen=True, slots=True)
class Change:
    """One cell as it should perhaps be: the canonical column and the value in its own unit."""

    column: str
    value: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a careful colleague would say about a batch (format 2).

    ``row`` is the row as the spreadsheet shows it (headings are row 1); ``proposal`` is applied only by a
    person; ``change`` is there where it is one cell of that row, so that one key can apply it.
    """

    kind: str
    severity: Severity
    message: str
    row: int | None = None
    image: str | None = None
    proposal: str | None = None
    change: Change | None = None

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return asdict(self)
