"""How a long task tells how far it is, without knowing whether anybody looks.

A task takes ``progress: Progress = silent`` and calls it as ``progress("Embedding pictures", done, total)``.
The command line hands in a bar on a terminal and plain lines in a log; tests hand in nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sized
from typing import TypeVar

Progress = Callable[[str, int, int], None]
"""Called with (what is being done, items done, items in all)."""

T = TypeVar("T")


def silent(label: str, done: int, total: int) -> None:
    """Report nothing."""
    del label, done, total


def tracked(items: Iterable[T], label: str, progress: Progress, *, total: int | None = None) -> Iterator[T]:
    """Yield the items of a sized iterable, reporting after each.

    Examples
    --------
    >>> seen = []
    >>> list(tracked("ab", "letters", lambda label, done, total: seen.append((done, total))))
    ['a', 'b']
    >>> seen
    [(0, 2), (1, 2), (2, 2)]
    """
    count = total if total is not None else len(items) if isinstance(items, Sized) else 0
    progress(label, 0, count)
    for done, item in enumerate(items, start=1):
        yield item
        progress(label, done, count)
