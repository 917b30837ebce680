"""Repeat every draw of roles from the recorded seed: nobody chose who goes where, and no slot was used twice."""

from __future__ import annotations

from collections.abc import Sequence

from passage_cv.dataset.facts import RolesFact
from passage_cv.dataset.leaks import Leak
from passage_cv.dataset.roles import block_roles
from passage_cv.dataset.versions import Version


def check_draws(version: Version) -> list[Leak]:
    """Two lines of the leak report: draws that the seed does not give, and units or slots drawn twice.

    Notes
    -----
    Only the store's own files are used; the order of a block can be repeated with ``sha256sum`` alone.
    """
    facts = version.roles_facts()
    settings = version.store.settings
    draws = [draw for fact in facts for draw in fact.draws]
    other = [
        draw.unit
        for draw in draws
        if block_roles(settings.shares, seed=settings.seed, stratum=draw.stratum, block=draw.block)[draw.slot]
        != draw.role
    ]
    twice = _twice([draw.unit for draw in draws])
    twice += _twice([f"{draw.stratum}, block {draw.block}, slot {draw.slot}" for draw in draws])
    return [
        Leak(
            "draws that seed and place do not give", len(draws), len(other), allowed=False, examples=tuple(other[:3])
        ),
        Leak("units or places drawn twice", len(draws), len(twice), allowed=False, examples=tuple(twice[:3])),
        _changed_roles(facts),
    ]


def _changed_roles(facts: Sequence[RolesFact]) -> Leak:
    """Units whose role in a later batch is another than in an earlier one."""
    first: dict[str, str] = {}
    changed: list[str] = []
    for fact in facts:
        for unit, role in fact.units.items():
            if first.setdefault(unit, role) != role:
                changed.append(unit)
    return Leak(
        "units whose role changed later", len(first), len(changed), allowed=False, examples=tuple(changed[:3])
    )


def _twice(names: Sequence[str]) -> list[str]:
    seen: set[str] = set()
    twice = []
    for name in names:
        if name in seen:
            twice.append(name)
        seen.add(name)
    return twice
