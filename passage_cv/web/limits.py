"""How often somebody may ask for something, counted in memory of this server."""

from __future__ import annotations

import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from passage_cv.web.settings import WebSettings

Kind = Literal["uploads", "work", "scripts", "changes"]
PER_ADDRESS = 8
"""Persons whose requests one address may make: the crews of a station share one line [ours]."""
_FORGET_ABOVE = 10_000


@dataclass
class RateLimit:
    """At most ``most`` tries of one key in ``within_s`` seconds."""

    most: int
    within_s: float = 300.0
    now: Callable[[], float] = time.monotonic
    _seen: dict[str, deque[float]] = field(default_factory=lambda: defaultdict(deque))
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, key: str) -> float:
        """Count a try; 0 where it is allowed, else the seconds until the next one is."""
        with self._lock:
            now = self.now()
            if len(self._seen) > _FORGET_ABOVE:
                self._seen.clear()
            tries = self._seen[key]
            while tries and tries[0] <= now - self.within_s:
                tries.popleft()
            if len(tries) >= self.most:
                return tries[0] + self.within_s - now
            tries.append(now)
            return 0.0


class Limits:
    """What one person may ask in a minute, kind by kind, and :data:`PER_ADDRESS` of them from one address."""

    def __init__(self, settings: WebSettings) -> None:
        most: dict[Kind, int] = {
            "uploads": settings.uploads_per_minute,
            "work": settings.work_per_minute,
            "scripts": settings.scripts_per_minute,
            "changes": settings.changes_per_minute,
        }
        self._of_person = {kind: RateLimit(n, 60.0) for kind, n in most.items()}
        self._of_address = {kind: RateLimit(n * PER_ADDRESS, 60.0) for kind, n in most.items()}

    def wait_s(self, kind: Kind, person: int, address: str) -> float:
        """Count a request; 0 where it is allowed, else the seconds until the next one is."""
        return self._of_person[kind].wait_s(str(person)) or self._of_address[kind].wait_s(address)
