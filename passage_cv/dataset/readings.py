"""Second readings: who called a fish what, without having seen what others called it.

Each reading is one small file in ``readings/``, named by its hash, appended and never changed; it keeps the
label that stood when it was made, so that agreement can be told however labels change later. Choosing what a
reader sees is done in ``blind``, agreement in ``agreement``.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Literal

from passage_cv.config import Settings, parse_settings
from passage_cv.dataset.blind import CONCLUSIVE, CONFIRMING, Fish, fish_of, is_one_of, token_of
from passage_cv.dataset.facts import Sha256
from passage_cv.dataset.keys import parts_of_fish
from passage_cv.dataset.second_look import disputed_among
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import Version, open_version
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.intake.names import Names, shipped_names

FOLDER = "readings"
UNSURE = ("", "unsure", "?")
"""What a reader may write who cannot tell; kept as such, and no part of kappa."""
_KNOWN: dict[str, Reading] = {}


class Reading(Settings):
    """One reader's word on one individual; ``scientificName`` is empty where the reader could not tell.

    ``first`` is the label that stood, which the reader did not see; ``drawn`` says whether the fish came from
    the random order over all fish, and not because something was wrong with it.
    """

    format: Literal[1] = 1
    kind: Literal["reading"] = "reading"
    at: str
    reader: str
    version: str
    individual: str
    images: tuple[Sha256, ...]
    first: str
    scientificName: str
    code: str = ""
    method: str = "second reader"
    drawn: bool = True
    note: str = ""


@dataclass(frozen=True, slots=True)
class BlindFish:
    """What a second reader sees: pictures by content hash, and a token that names the fish to us alone.

    ``is_disputed`` is for ordering and never shown: people called the fish two species, and no second reader has said
    since what it is.
    """

    token: str
    images: tuple[str, ...]
    n_left: int
    is_disputed: bool = False


def next_blind(
    store: Store, reader: str, *, among: Iterable[str] | None = None, version: str = "latest"
) -> BlindFish | None:
    """The next fish for a reader, or None when there is none left; no label, date or place comes with it.

    Parameters
    ----------
    store
        Whose fish to read.
    reader
        Initials. Fish that this reader identified, has read, or decided about where they were disputed, are left out.
    among
        Only these individuals, for example those that a model disputes; all by default.
    version
        Name, number or latest.

    Returns
    -------
    BlindFish or None
        Disputed fish that no second reader has told first, then those with the fewest readings, then in an order
        that looks random and is the same each time.
    """
    return next(iter(blind_list(store, reader, among=among, version=version)), None)


def blind_list(
    store: Store, reader: str, *, among: Iterable[str] | None = None, version: str = "latest"
) -> list[BlindFish]:
    """All that :func:`next_blind` would bring one after another, for a sheet to read away from the computer."""
    who = _require_reader(store, reader)
    given = readings_of(store)
    newest = open_version(store, version)
    left = _unread(newest, who, given, None if among is None else set(among))
    disputed = disputed_among(newest, left)
    left = [one for one in left if not is_one_of(who, disputed.get(one.individual, ()))]
    counts = Counter(one.individual for one in given)
    waiting = disputed.keys() - {one.individual for one in given if one.scientificName}
    key = store.settings_sha256
    tokens = {one.individual: token_of(key, who, one.individual) for one in left}
    order = sorted(
        left, key=lambda one: (one.individual not in waiting, counts[one.individual], tokens[one.individual])
    )
    return [
        BlindFish(tokens[one.individual], one.views, len(order) - i, one.individual in waiting)
        for i, one in enumerate(order)
    ]


def record_reading(  # noqa: PLR0913 - a reading has this many parts, all by name
    store: Store,
    token: str,
    *,
    reader: str,
    name: str,
    method: str = "second reader",
    note: str = "",
    drawn: bool = True,
    names: Names | None = None,
    at: datetime | None = None,
    shown: Iterable[str] = (),
) -> Reading:
    """Keep one reading.

    Parameters
    ----------
    store
        Where to keep it.
    token
        Of the fish, as :func:`next_blind` gave it to this reader.
    reader
        The same initials.
    name
        Species by scientific name, code or common name; empty, ``unsure`` or ``?`` where it cannot be told.
    method
        How it was identified.
    note
        The reader's own words.
    drawn
        False where the fish was shown because something was wrong with it (``among``); a disputed one always is.
    names
        List that the species is looked up in.
    at
        When; now by default.
    shown
        Pictures that came with the token, where they are known: then only that fish is looked for in the store.

    Raises
    ------
    InputError
        If the token is not one of this reader's, the fish was read already, or the name is on no list.
    """
    who = _require_reader(store, reader)
    newest = open_version(store)
    fish = _fish_of_token(newest, who, token, shown)
    if any(one.reader == who and one.individual == fish.individual for one in readings_of(store)):
        raise InputError(f"{who} has read this fish already", where=f"fish {token}", do="Take the next one.")
    disputed = disputed_among(newest, [fish])
    if is_one_of(who, disputed.get(fish.individual, ())):
        raise _not_given(token, who, store)
    scientific_name, code = _looked_up(name, names or shipped_names())
    reading = Reading(
        at=(at or datetime.now(UTC)).isoformat(),
        reader=who,
        version=newest.name,
        individual=fish.individual,
        images=fish.views,
        first=fish.name,
        scientificName=scientific_name,
        code=code,
        method=method,
        drawn=drawn and not disputed,
        note=note,
    )
    data = canonical_json(reading.model_dump(mode="json"))
    stamp = reading.at.replace(":", "").replace("+", "p")
    store.storage.create(f"{FOLDER}/{stamp}-{sha256_bytes(data)[:12]}.json", data)
    return reading


def readings_of(store: Store) -> list[Reading]:
    """Every reading, oldest first.

    Raises
    ------
    InputError
        If one is damaged.
    """
    return sorted((_read(store, name) for name in store.storage.names(FOLDER)), key=lambda one: _moment(one.at))


def _read(store: Store, name: str) -> Reading:
    """One reading; its file never changes and its name holds its hash, so each is read once by a program."""
    known = _KNOWN.get(name)
    if known is not None:
        return known
    path = f"{FOLDER}/{name}"
    try:
        values = json.loads(store.storage.read(path))
    except ValueError as error:
        raise InputError("Reading is damaged", where=store.place(path), do="Restore it from a copy.") from error
    return _KNOWN.setdefault(name, parse_settings(values, Reading, where=store.place(path)))


@lru_cache(maxsize=1 << 17)
def _moment(at: str) -> datetime:
    return datetime.fromisoformat(at)


def confirmed_individuals(version: Version, readings: Iterable[Reading]) -> set[str]:
    """Individuals whose label stands on more than one look.

    Confirmed by the sheet's own identification method, or where more second readers agree with
    the label as it stands in this version than disagree, each by his or her last word. A reading follows its
    pictures, so merging and splitting do not lose it.
    """
    fish = fish_of(version)
    by_image = {sha256: one for one in fish for sha256 in one.images}
    words: dict[str, dict[str, int]] = {}
    for reading in readings:
        read = {by_image[sha256].individual: by_image[sha256].name for sha256 in reading.images if sha256 in by_image}
        for individual, label in read.items():
            if reading.scientificName:
                agrees = reading.scientificName == label
                words.setdefault(individual, {})[reading.reader] = 1 if agrees else -1
    return {one.individual for one in fish if _is_confirmed(one, words.get(one.individual, {}))}


def _is_confirmed(fish: Fish, words: Mapping[str, int]) -> bool:
    if fish.methods & set(CONCLUSIVE):
        return True
    return sum(words.values()) > 0 or (not words and bool(fish.methods & set(CONFIRMING)))


def _unread(version: Version, reader: str, given: Iterable[Reading], among: set[str] | None) -> list[Fish]:
    read = {one.individual for one in given if one.reader == reader}
    return [
        one
        for one in fish_of(version, used_only=True)
        if one.views
        and one.individual not in read
        and not is_one_of(reader, one.identifiers)
        and (among is None or one.individual in among)
    ]


def _fish_of_token(version: Version, reader: str, token: str, shown: Iterable[str]) -> Fish:
    near = parts_of_fish(version, shown)
    found = _find(fish_of(version, parts=near), version, reader, token) if near else None
    found = found or _find(fish_of(version), version, reader, token)
    if found is None or is_one_of(reader, found.identifiers):
        raise _not_given(token, reader, version.store)
    return found


def _not_given(token: str, reader: str, store: Store) -> InputError:
    return InputError(
        f"Fish {token} was not given to reader {reader}",
        where=store.storage.root,
        do="Give the initials under which the fish were shown.",
    )


def _find(fish: Iterable[Fish], version: Version, reader: str, token: str) -> Fish | None:
    key = version.store.settings_sha256
    return next((one for one in fish if token_of(key, reader, one.individual) == token), None)


def _looked_up(name: str, names: Names) -> tuple[str, str]:
    if name.strip().lower() in UNSURE:
        return "", ""
    species = names.find(name)
    if species is None:
        raise InputError(f"{name!r} is on no list", where="reading", do="Correct the name, or write unsure.")
    return species.scientific_name, species.code


def _require_reader(store: Store, reader: str) -> str:
    if not reader.strip():
        raise InputError("A reading is made by somebody", where=store.storage.root, do="Give the reader's initials.")
    return reader.strip()
