"""How often one address may try something, counted in memory of this server."""

from __future__ import annotations

import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass, field

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
