"""Which fish a second reader gets next, without reading a large data set anew for every fish.

A version never changes, so the first fish of one for a reader are worked out once; what was read since is looked up
each time, so nobody is shown a fish that he or she has read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from pydantic import TypeAdapter

from passage_cv.dataset.blind import token_of
from passage_cv.dataset.readings import BlindFish, Reading, blind_list, next_blind, readings_of
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import latest_version
from passage_cv.files import sha256_bytes
from passage_cv.web.remembered import kept, place
from passage_cv.web.settings import WebSettings

AHEAD = 3000
"""Fish that are kept in order for a reader; whoever reads more of one version waits once for the next."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What waits for a reader: the first fish in the order of their tokens, and how many there are in all.

    ``n_read`` is how many fish the reader had read by then.
    """

    fish: tuple[BlindFish, ...]
    n: int
    n_read: int


_AHEAD = TypeAdapter(Ahead)


def next_fish(settings: WebSettings, store: Store, reader: str) -> BlindFish | None:
    """The fish that :func:`passage_cv.dataset.readings.next_blind` would bring, or None when there is none left."""
    newest = latest_version(store)
    if newest is None:
        return None
    ahead = _ahead(settings.data, settings.store_root, newest.name, reader.strip())
    read = list(_tokens(store, readings_of(store), reader))
    counts, own = Counter(token for token, _ in read), {token for token, is_own in read if is_own}
    n_left = ahead.n - (len(own) - ahead.n_read)
    unread = next((one for one in ahead.fish if one.token not in counts), None)
    if unread is not None:
        return replace(unread, n_left=n_left)
    return next_blind(store, reader) if ahead.n else None


def remember_ahead(settings: WebSettings, store: Store) -> None:
    """Work out what waits in the newest version for everybody who has read before."""
    newest = latest_version(store)
    for reader in sorted({one.reader for one in readings_of(store)} if newest else ()):
        _ahead(settings.data, settings.store_root, newest.name if newest else "", reader)


def _tokens(store: Store, given: list[Reading], reader: str) -> Iterator[tuple[str, bool]]:
    """The token of each fish that was read, and whether this reader read it."""
    who = reader.strip()
    return ((token_of(store.settings_sha256, who, one.individual), one.reader == who) for one in given)


@lru_cache(maxsize=16)
def _ahead(data: Path, root: str, version: str, reader: str) -> Ahead:
    name = f"reader-{sha256_bytes(reader.encode())[:16]}"
    return kept(place(data, version, name), _AHEAD, lambda: _look_ahead(Store.open(root), version, reader))


def _look_ahead(store: Store, version: str, reader: str) -> Ahead:
    n_read = len({token for token, is_own in _tokens(store, readings_of(store), reader) if is_own})
    found = sorted(blind_list(store, reader, version=version), key=lambda one: one.token)
    return Ahead(tuple(found[:AHEAD]), len(found), n_read)
