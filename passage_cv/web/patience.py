"""Values that a page waits for only a moment: worked out once in a thread of their own, and said to be under way.

What the work that accepts a batch has kept is read in a moment. What nobody has worked out yet, as for a version that
another program made, would keep a reader waiting for seconds: the page says so instead and comes back by itself.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, wait
from typing import Any, TypeVar

PATIENCE_S = 0.2
"""How long a page waits [ours: with the page itself under 0.3 s]."""
IN_MEMORY = 128
T = TypeVar("T")

_LOCK = threading.Lock()
_UNDER_WAY: dict[Hashable, Future[Any]] = {}
_FINISHED: OrderedDict[Hashable, Any] = OrderedDict()


class NotReadyYet(Exception):
    """What a page shows is still being worked out; it is there in a few seconds."""


def soon(key: Hashable, make: Callable[[], T], *, patience_s: float = PATIENCE_S) -> T:
    """The value of a key, made once; what it depends on must all be in the key.

    Raises
    ------
    NotReadyYet
        If it takes longer than ``patience_s``; it goes on being made.
    """
    with _LOCK:
        if key in _FINISHED:
            _FINISHED.move_to_end(key)
            found: T = _FINISHED[key]
            return found
        future = _UNDER_WAY.get(key) or _begin(key, make)
    wait([future], timeout=patience_s)
    if not future.done():
        raise NotReadyYet
    made: T = future.result()
    return made


def _begin(key: Hashable, make: Callable[[], Any]) -> Future[Any]:
    future: Future[Any] = Future()
    _UNDER_WAY[key] = future
    threading.Thread(target=_work, args=(key, make, future), daemon=True).start()
    return future


def _work(key: Hashable, make: Callable[[], Any], future: Future[Any]) -> None:
    """Make a value; what failed is tried again by the next who asks."""
    try:
        made = make()
    except BaseException as error:  # whoever waits gets it
        with _LOCK:
            del _UNDER_WAY[key]
        future.set_exception(error)
        return
    with _LOCK:
        del _UNDER_WAY[key]
        _FINISHED[key] = made
        while len(_FINISHED) > IN_MEMORY:
            _FINISHED.popitem(last=False)
    future.set_result(made)
