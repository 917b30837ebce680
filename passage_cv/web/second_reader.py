"""Which fish a second reader gets next, without reading a large data set anew for every fish.

A version never changes, so the first fish of one for a reader are worked out once, and again after many readings;
what was read since is looked up each time, so nobody is shown a fish that he or she has read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import TypeAdapter

from passage_cv.dataset.blind import token_of
from passage_cv.dataset.readings import BlindFish, Reading, blind_list, readings_of, record_reading
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version, latest_version
from passage_cv.files import sha256_bytes
from passage_cv.web.patience import NotReadyYet, soon
from passage_cv.web.remembered import kept, place
from passage_cv.web.settings import WebSettings

AHEAD = 3000
"""Fish that are kept in order for a reader."""
AFRESH = 1000
"""Readings after which the order is worked out anew; fewer than :data:`AHEAD`, so that one of the first is unread."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What waits for a reader: the first fish in order, and how many there are in all.

    ``n_read`` is how many fish the reader had read by then. Whether a fish is disputed is never shown.
    """

    fish: tuple[BlindFish, ...]
    n: int
    n_read: int


_AHEAD = TypeAdapter(Ahead)


def next_fish(settings: WebSettings, store: Store, reader: str) -> BlindFish | None:
    """The fish that :func:`passage_cv.dataset.readings.next_blind` would bring, or None when there is none left.

    Fish outside of the list came after the last one in it when it was made: disputed ones come first, then those with
    fewest readings. Since then fewer were read than stand in it, so the first of all is among them.
    """
    newest = latest_version(store)
    if newest is None:
        return None
    who, given = reader.strip(), readings_of(store)
    ahead = _ahead(settings, newest, who, len(given) // AFRESH)
    read = [(token_of(store.settings_sha256, who, one.individual), one) for one in given]
    counts, own = Counter(token for token, _ in read), {token for token, one in read if one.reader == who}
    told = {token for token, one in read if one.scientificName}
    left = [one for one in ahead.fish if one.token not in own]
    n_left = ahead.n - (len(own) - ahead.n_read)
    order = [(not one.is_disputed or one.token in told, counts[one.token], one.token) for one in left]
    return replace(left[order.index(min(order))], n_left=n_left) if left else None


def keep_reading(settings: WebSettings, store: Store, token: str, *, reader: str, name: str, note: str) -> Reading:
    """Keep what a reader called the fish of a token; only what the store has about that fish is read.

    Raises
    ------
    InputError
        As :func:`passage_cv.dataset.readings.record_reading`.
    """
    newest, who = latest_version(store), reader.strip()
    shown: tuple[str, ...] = ()
    if newest and who:
        with suppress(NotReadyYet):
            ahead = _ahead(settings, newest, who, len(readings_of(store)) // AFRESH)
            shown = next((one.images for one in ahead.fish if one.token == token), ())
    return record_reading(store, token, reader=reader, name=name, note=note, shown=shown)


def remember_ahead(settings: WebSettings, newest: Version, readers: Iterable[str]) -> None:
    """Work out what waits in a version for everybody who may read."""
    turn = len(readings_of(newest.store)) // AFRESH
    for reader in sorted({one.strip() for one in readers}):
        kept(*_kept_ahead(settings, newest, reader, turn))


def _ahead(settings: WebSettings, version: Version, reader: str, turn: int) -> Ahead:
    """A reader's list; a page waits for it a moment only."""
    path, adapter, make = _kept_ahead(settings, version, reader, turn)
    return soon((path, settings.store_root), lambda: kept(path, adapter, make))


def _kept_ahead(
    settings: WebSettings, version: Version, reader: str, turn: int
) -> tuple[Path, TypeAdapter[Ahead], Callable[[], Ahead]]:
    name = f"second-reader-{sha256_bytes(reader.encode())[:16]}-{turn}"
    return place(settings.data, version.name, name), _AHEAD, lambda: _look_ahead(version.store, version.name, reader)


def _look_ahead(store: Store, version: str, reader: str) -> Ahead:
    n_read = len({one.individual for one in readings_of(store) if one.reader == reader})
    found = blind_list(store, reader, version=version)
    return Ahead(tuple(found[:AHEAD]), len(found), n_read)
