"""The four kinds of people, and who may use a page."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """What a person is here for; one person may have several roles."""

    TECHNICIAN = "technician"
    RESEARCHER = "researcher"
    ENGINEER = "engineer"
    ADMINISTRATOR = "administrator"


Who = frozenset[Role]

ANYONE: Who = frozenset()
"""Also without signing in."""
SIGNED_IN: Who = frozenset(Role)
TECHNICIAN: Who = frozenset({Role.TECHNICIAN})
RESEARCHER: Who = frozenset({Role.RESEARCHER})
ENGINEER: Who = frozenset({Role.ENGINEER})
ADMINISTRATOR: Who = frozenset({Role.ADMINISTRATOR})
DATA: Who = TECHNICIAN | RESEARCHER
GATE: Who = RESEARCHER | ENGINEER
