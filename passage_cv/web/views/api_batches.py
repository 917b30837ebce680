"""A batch's further steps as JSON: facts, columns, pairing, proposals, second readings."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Path
from pydantic import Field

from passage_cv.config import Settings
from passage_cv.dataset.readings import record_reading
from passage_cv.web import batches as rules
from passage_cv.web import decisions, pairing, second_reader
from passage_cv.web import research as store_rules
from passage_cv.web.ask import Asking, NotFound
from passage_cv.web.views.api import Id, Line, Started
from passage_cv.web.views.batches import find_batch

MOST_FIELDS = 2000


class Facts(Settings):
    """Facts common to a batch."""

    facts: dict[str, Line] = Field(default_factory=dict)


class Kind(Settings):
    """A kind of finding."""

    kind: Line


class Columns(Settings):
    """The form of the page of columns: ``column-0``, ``unit-0``, ``length_type-0``, ..., ``dates``, ``decimal``."""

    form: Annotated[dict[str, Line], Field(max_length=MOST_FIELDS)] = Field(default_factory=dict)


class PairingEdit(Settings):
    """One edit of the pairing: its name, the state it was made on, and what the page's form would send."""

    at: Annotated[int, Field(ge=0, le=100_000)]
    edit: Line
    form: dict[str, Line] = Field(default_factory=dict)


class At(Settings):
    """The state of the pairing that was looked at."""

    at: Annotated[int, Field(ge=0, le=100_000)]


class NewReading(Settings):
    """What a second reader calls a fish; an empty name means that it cannot be told."""

    token: Line
    name: Line = ""
    note: Line = ""


def change_facts(ask: Asking, batch_id: Id, new: Facts) -> dict[str, Any]:
    """Say the facts common to a batch anew."""
    batch = find_batch(ask, batch_id, own=True)
    rules.change_facts(batch, new.facts)
    ask.did("changed facts", batch.name)
    return dict(batch.facts)


def set_aside(ask: Asking, batch_id: Id) -> dict[str, str]:
    """Set a batch aside; nothing of it is lost."""
    batch = find_batch(ask, batch_id, own=True)
    rules.set_aside(ask.db, batch)
    ask.did("set batch aside", batch.name)
    return {"state": batch.state}


def take_up(ask: Asking, batch_id: Id) -> dict[str, str]:
    """Go on with a batch that was set aside."""
    batch = find_batch(ask, batch_id, own=True)
    rules.take_up(batch)
    ask.did("took batch up", batch.name)
    return {"state": batch.state}


def undo(ask: Asking, batch_id: Id, decision_id: Annotated[int, Path(ge=1, le=2**31 - 1)]) -> dict[str, str]:
    """Take a decision back."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.undo(ask.db, batch, decision_id)
    ask.did(f"undid: {made.kind}", batch.name)
    return {"undone_at": made.undone_at}


def accept_proposals(ask: Asking, batch_id: Id, which: Kind) -> dict[str, list[int]]:
    """Take the proposed change of every finding of one kind."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.accept_proposals(ask.db, batch, ask.person.name, which.kind)
    ask.did("accepted proposals", f"{batch.name}: {len(made)} of {which.kind}")
    return {"decisions": [one.id for one in made]}


def confirm_columns(ask: Asking, batch_id: Id, new: Columns) -> Started:
    """Keep the confirmed reading of the sheet and look through the batch again."""
    batch = find_batch(ask, batch_id, own=True)
    job = rules.confirm_columns(ask.db, ask.server.settings, batch, new.form, ask.person.name)
    ask.did("confirmed columns", batch.name)
    return Started(job=job.id)


def show_pairing(ask: Asking, batch_id: Id) -> dict[str, Any]:
    """The timeline of pictures and lines, with the number of its state."""
    batch = find_batch(ask, batch_id)
    at, timeline = pairing.current(rules.batch_folder(ask.server.settings, batch))
    if timeline is None:
        raise NotFound
    return {"at": at, "doubtful": pairing.doubtful(timeline), "timeline": timeline.as_dict()}


def edit_pairing(ask: Asking, batch_id: Id, new: PairingEdit) -> dict[str, Any]:
    """Make one edit of the pairing."""
    batch = find_batch(ask, batch_id, own=True)
    decisions.require_changeable(batch)
    timeline = pairing.edit(rules.batch_folder(ask.server.settings, batch), new.at, new.edit, new.form)
    ask.did("edited pairing", f"{batch.name}: {new.edit}")
    return {"at": new.at + 1, "doubtful": pairing.doubtful(timeline), "timeline": timeline.as_dict()}


def confirm_pairing(ask: Asking, batch_id: Id, looked: At) -> Started:
    """Sign the pairing and look through the batch with it."""
    batch = find_batch(ask, batch_id, own=True)
    job = rules.confirm_pairing(ask.db, ask.server.settings, batch, looked.at, ask.person.name)
    ask.did("confirmed pairing", batch.name)
    return Started(job=job.id)


def next_fish(ask: Asking) -> dict[str, Any]:
    """The next fish for this second reader: content hashes of its pictures, and nothing that tells its label."""
    store = store_rules.open_store(ask.server.settings)
    initials = ask.person.initials
    fish = second_reader.next_fish(ask.server.settings, store, initials) if store and initials else None
    return {"token": fish.token, "images": list(fish.images), "left": fish.n_left} if fish else {}


def read_fish(ask: Asking, new: NewReading) -> dict[str, str]:
    """Keep a second reader's word."""
    store = store_rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    made = record_reading(store, new.token, reader=ask.person.initials, name=new.name, note=new.note)
    ask.did("read a fish", new.token)
    return {"scientificName": made.scientificName, "reader": made.reader}
