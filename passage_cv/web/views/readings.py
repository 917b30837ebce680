"""The second reader: one fish after another without its label, and how far readers agree."""

from __future__ import annotations

from typing import Annotated

from fastapi import Form, Path
from fastapi.responses import Response

from passage_cv.dataset.agreement import agreement
from passage_cv.dataset.store import Store
from passage_cv.dataset.working import working_path
from passage_cv.intake.containers import read_container
from passage_cv.intake.names import shipped_names
from passage_cv.web import research as rules
from passage_cv.web import second_reader
from passage_cv.web.ask import Ask, Asking, NotFound

Text = Annotated[str, Form()]
Sha256 = Annotated[str, Path(pattern="^[0-9a-f]{64}$")]
PICTURES_SHOWN = 6


def next_fish(ask: Asking) -> Response:
    """The next fish for this reader: pictures and nothing else."""
    store, initials = rules.open_store(ask.server.settings), ask.person.initials
    fish = second_reader.next_fish(ask.server.settings, store, initials) if store and initials else None
    names = [species.scientific_name for species in shipped_names().species]
    return ask.page("reading", store=store, initials=initials, fish=fish, names=names, most=PICTURES_SHOWN)


def read(ask: Asking, token: Text = "", name: Text = "", note: Text = "") -> Response:
    """Keep what this reader called the fish; an empty name means that it cannot be told."""
    store = _store(ask)
    note = note.strip()[:500]
    second_reader.keep_reading(ask.server.settings, store, token, reader=ask.person.initials, name=name, note=note)
    ask.did("read a fish", token)
    return ask.go("/readings")


def agree(ask: Asking) -> Response:
    """How far second readers agree with the labels, and which fish are disputed."""
    store = rules.open_store(ask.server.settings)
    return ask.page("agreement", found=agreement(store) if store else None)


def picture(ask: Asking, sha256: Sha256) -> Response:
    """A picture of the data set by its content hash, reduced where there is a reduced copy."""
    store = _store(ask)
    path = working_path(sha256)
    if store.storage.exists(path):
        data = store.storage.read(path)
    elif store.find_object(sha256):
        data = store.read_object(sha256)
    else:
        raise NotFound
    container = read_container(data)
    if container is None:
        raise NotFound
    kind = {"jpg": "jpeg"}.get(container.kind, container.kind)
    return Response(data, media_type=f"image/{kind}", headers={"cache-control": "private, max-age=86400, immutable"})


def _store(ask: Ask) -> Store:
    store = rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    return store
