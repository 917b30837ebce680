"""What a second pair of eyes does, as JSON: pairing pictures with lines, keying paper, second readings."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query

from passage_cv.dataset.agreement import agreement
from passage_cv.intake.pairing_doubts import open_doubts
from passage_cv.web import batches as rules
from passage_cv.web import decisions, keying, pairing, second_reader
from passage_cv.web import research as store_rules
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.tables import Batch, Keying
from passage_cv.web.views.api_records import (
    At,
    BlindFish,
    DifferenceLine,
    Disputed,
    FirstGrid,
    Grid,
    Id,
    Keyed,
    NewReading,
    Number,
    PairingEdit,
    PairingState,
    Picture,
    Readings,
    ReadingState,
    Settled,
    Sheets,
    Started,
    Waiting,
)
from passage_cv.web.views.batches import find_batch
from passage_cv.web.views.keying import find_for_second

Image = Annotated[str, Query(max_length=1000)]


def show_pairing(ask: Asking, batch_id: Id) -> PairingState:
    """The timeline of pictures and lines, with the number of its state."""
    return _pairing(ask, find_batch(ask, batch_id))


def edit_pairing(ask: Asking, batch_id: Id, new: PairingEdit) -> PairingState:
    """Make one edit of the pairing."""
    batch = find_batch(ask, batch_id, own=True)
    decisions.require_changeable(batch)
    root = rules.batch_folder(ask.server.settings, batch)
    pairing.edit(root, new.at, new.edit, new.form, who=ask.person.name)
    ask.did("edited pairing", f"{batch.name}: {new.edit}")
    return _pairing(ask, batch)


def undo_pairing(ask: Asking, batch_id: Id, looked: At) -> PairingState:
    """Take the last edit of the pairing back."""
    batch = find_batch(ask, batch_id, own=True)
    decisions.require_changeable(batch)
    pairing.undo(rules.batch_folder(ask.server.settings, batch), looked.at)
    ask.did("undid an edit of the pairing", batch.name)
    return _pairing(ask, batch)


def confirm_pairing(ask: Asking, batch_id: Id, looked: At) -> Started:
    """Sign the pairing and look through the batch with it."""
    batch = find_batch(ask, batch_id, own=True)
    job = rules.confirm_pairing(ask.db, ask.server.settings, batch, looked.at, ask.person.name)
    ask.did("confirmed pairing", batch.name)
    return Started(job=job.id)


def pair_anew(ask: Asking, batch_id: Id) -> Started:
    """Forget the pairing, confirmed or not, and propose one from what is there now."""
    batch = find_batch(ask, batch_id, own=True)
    job = rules.pair_anew(ask.db, ask.server.settings, batch, ask.person.name)
    ask.did("began pairing anew", batch.name)
    return Started(job=job.id)


def sheets(ask: Asking, batch_id: Id) -> Sheets:
    """Pictures that may show a paper sheet, and what was keyed from them."""
    batch = find_batch(ask, batch_id)
    return Sheets(
        pictures=keying.sheet_pictures(ask.db, batch),
        columns=list(keying.COLUMNS),
        keyed=[_keyed(one) for one in keying.keyings_of(ask.db, batch)],
    )


def key(ask: Asking, batch_id: Id, new: FirstGrid) -> Keyed:
    """Keep the rows that the first reader read on a picture."""
    batch = find_batch(ask, batch_id, own=True)
    made = keying.key_first(ask.db, batch, new.image, keying.read_grid(_as_form(new)), ask.person)
    ask.did("keyed sheet", f"{batch.name}: {made.image}, {len(made.first)} rows")
    return _keyed(made)


def ask_second(ask: Asking, batch_id: Id, which: Picture) -> Keyed:
    """Ask for a second reader, who does not see what was read."""
    batch = find_batch(ask, batch_id, own=True)
    made = _keying(ask, batch, which.image)
    keying.ask_second(batch, made)
    ask.did("asked for second reader", f"{batch.name}: {made.image}")
    return _keyed(made)


def compare(ask: Asking, batch_id: Id, image: Image) -> list[DifferenceLine]:
    """The cells in which both readers differ."""
    batch = find_batch(ask, batch_id, own=True)
    made = _keying(ask, batch, image)
    if made.state != "keyed":
        raise NotFound
    return [
        DifferenceLine(row=one.row, column=one.column, first=one.first, second=one.second)
        for one in keying.differences(made)
    ]


def settle(ask: Asking, batch_id: Id, new: Settled) -> Keyed:
    """Decide the cells in which both readers differ."""
    batch = find_batch(ask, batch_id, own=True)
    made = _keying(ask, batch, new.image)
    if made.state != "keyed":
        raise NotFound
    form: dict[str, str] = {f"{one.row}-{one.column}": one.reading for one in new.choices}
    form |= {f"other-{one.row}-{one.column}": one.other for one in new.choices}
    keying.settle(batch, made, form)
    ask.did("settled readings", f"{batch.name}: {made.image}")
    return _keyed(made)


def waiting(ask: Asking) -> list[Waiting]:
    """Sheets of others that wait for a second reader; the picture of one is at ``/api/keying/<id>/picture``."""
    found = keying.waiting_for_second(ask.db, ask.person)
    return [Waiting(id=one.id, columns=list(keying.COLUMNS)) for one in found]


def second(ask: Asking, keying_id: Number) -> Waiting:
    """One sheet that waits for this second reader."""
    made = find_for_second(ask, keying_id)
    return Waiting(id=made.id, columns=list(keying.COLUMNS))


def key_second(ask: Asking, keying_id: Number, new: Grid) -> list[Waiting]:
    """Keep what the second reader read; the sheets that still wait."""
    made = find_for_second(ask, keying_id)
    keying.key_second(made, keying.read_grid(_as_form(new)), ask.person)
    ask.did("keyed sheet as second reader", f"{made.batch.id}: {made.image}")
    return waiting(ask)


def next_fish(ask: Asking) -> BlindFish:
    """The next fish for this second reader: content hashes of its pictures, and nothing that tells its label."""
    store = store_rules.open_store(ask.server.settings)
    initials = ask.person.initials
    fish = second_reader.next_fish(ask.server.settings, store, initials) if store and initials else None
    return BlindFish(token=fish.token, images=list(fish.images), left=fish.n_left) if fish else BlindFish()


def read_fish(ask: Asking, new: NewReading) -> ReadingState:
    """Keep a second reader's word."""
    store = store_rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    settings, initials = ask.server.settings, ask.person.initials
    made = second_reader.keep_reading(settings, store, new.token, reader=initials, name=new.name, note=new.note)
    ask.did("read a fish", new.token)
    return ReadingState(scientificName=made.scientificName, reader=made.reader)


def readings(ask: Asking) -> Readings:
    """How far second readers agree with the labels, and which fish are disputed."""
    store = store_rules.open_store(ask.server.settings)
    if store is None:
        raise NotFound
    found = agreement(store)
    disputed = [
        Disputed(individual=one.individual, label=one.first, read_as=one.scientificName, reader=one.reader, at=one.at)
        for one in found.disputed
    ]
    return Readings(
        n_read=found.n_read,
        agreed=found.agreed,
        unsure=found.unsure,
        chosen=found.chosen,
        readers=list(found.readers),
        classes=list(found.classes),
        table=[list(row) for row in found.table],
        kappa=found.kappa.value if found.kappa else None,
        reason=found.reason,
        disputed=disputed,
    )


def _pairing(ask: Ask, batch: Batch) -> PairingState:
    root = rules.batch_folder(ask.server.settings, batch)
    at, timeline = pairing.current(root)
    if timeline is None:
        raise NotFound
    return PairingState(
        at=at,
        is_confirmed=pairing.is_confirmed(root),
        doubtful=pairing.doubtful(timeline),
        doubts=list(open_doubts(timeline)),
        empty_rows=list(timeline.empty_rows),
        crowded_rows=list(timeline.crowded_rows),
        timeline=timeline,
    )


def _keying(ask: Ask, batch: Batch, image: str) -> Keying:
    found = keying.find_keying(ask.db, batch, image)
    if found is None:
        raise NotFound
    return found


def _keyed(one: Keying) -> Keyed:
    return Keyed(**{name: getattr(one, name) for name in Keyed.model_fields})


def _as_form(new: Grid) -> dict[str, str]:
    return {f"{n}-{column}": cell for n, row in enumerate(new.rows) for column, cell in row.items()}
