"""What one route is: its address, its view, and who may use it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from passage_cv.web.people import Who


@dataclass(frozen=True, slots=True)
class Route:
    """One address; ``who`` is the set of roles of which one is needed, ``starts_work`` whether it fills the queue.

    ``gives`` is the kind of file that a script gets there, empty where the answer is JSON or a page.
    """

    method: str
    path: str
    view: Callable[..., Any]
    who: Who
    starts_work: bool = False
    gives: str = ""

    @property
    def is_for_scripts(self) -> bool:
        """Whether the OpenAPI document describes it."""
        return self.path.startswith("/api/")
