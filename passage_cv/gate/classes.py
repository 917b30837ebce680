"""The classes of a package: order, code, name and group (``classes.json``)."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from passage_cv.config import Settings, parse_settings
from passage_cv.files import read_json
from passage_cv.policy import Group, Policy


class GateClass(Settings):
    """One class, at its place in the model's output."""

    order: int
    code: str
    scientific_name: str
    group: Group


class GateClasses(Settings):
    """The file: every class in the model's order."""

    format: Literal[1] = 1
    classes: tuple[GateClass, ...]


def list_classes(codes: tuple[str, ...], policy: Policy) -> GateClasses:
    """The policy's classes in the model's order."""
    return GateClasses(
        classes=tuple(
            GateClass(
                order=order,
                code=code,
                scientific_name=policy.rule(code).scientific_name,
                group=policy.rule(code).policy,
            )
            for order, code in enumerate(codes)
        )
    )


def read_classes(path: Path) -> tuple[GateClass, ...]:
    """Read ``classes.json`` of a package.

    Raises
    ------
    InputError
        If it is missing, is not JSON, or has a missing or unknown key.
    """
    return parse_settings(read_json(path), GateClasses, where=str(path)).classes
