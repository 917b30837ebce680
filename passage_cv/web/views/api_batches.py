"""A technician's batch as JSON: from its first fact to its receipt."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from passage_cv.web import batches as rules
from passage_cv.web import columns, decisions
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch, Found
from passage_cv.web.uploads import count_files, files_of
from passage_cv.web.views.api_records import (
    BatchState,
    ColumnRow,
    Columns,
    ColumnState,
    Decided,
    DecisionLine,
    Facts,
    Findings,
    Id,
    Kind,
    NewBatch,
    NewDecision,
    Number,
    Reason,
    Receipt,
    ReceivedFile,
    Started,
)
from passage_cv.web.views.batches import find_batch

MOST_BATCHES = 500


def batch_list(ask: Asking) -> list[BatchState]:
    """Your batches, newest first; a researcher gets everybody's."""
    found = select(Batch).options(joinedload(Batch.owner)).order_by(Batch.created_at.desc()).limit(MOST_BATCHES)
    if Role.RESEARCHER not in ask.roles:
        found = found.where(Batch.owner_id == ask.person.id)
    shown = ask.db.scalars(found).all()
    counts = count_files(ask.db, shown)
    return [_state(one, counts) for one in shown]


def start_batch(ask: Asking, new: NewBatch) -> BatchState:
    """Begin a batch; its files go to ``/uploads`` as the text above describes."""
    batch = rules.start_batch(ask.db, ask.person, new.name, new.facts)
    ask.did("began batch", f"{batch.name} ({batch.id})")
    return _one(ask, batch)


def batch(ask: Asking, batch_id: Id) -> BatchState:
    """One batch."""
    return _one(ask, find_batch(ask, batch_id))


def received(ask: Asking, batch_id: Id) -> list[ReceivedFile]:
    """Names, sizes and hashes of what has arrived, so that a script sends nothing twice."""
    batch = find_batch(ask, batch_id, own=True)
    return [ReceivedFile(name=one.name, bytes=one.length, sha256=one.sha256) for one in files_of(ask.db, batch)]


def change_facts(ask: Asking, batch_id: Id, new: Facts) -> BatchState:
    """Say the facts common to a batch anew."""
    batch = find_batch(ask, batch_id, own=True)
    rules.change_facts(batch, new.facts)
    ask.did("changed facts", batch.name)
    return _one(ask, batch)


def set_aside(ask: Asking, batch_id: Id) -> BatchState:
    """Set a batch aside; nothing of it is lost."""
    batch = find_batch(ask, batch_id, own=True)
    rules.set_aside(ask.db, batch)
    ask.did("set batch aside", batch.name)
    return _one(ask, batch)


def take_up(ask: Asking, batch_id: Id) -> BatchState:
    """Go on with a batch that was set aside."""
    batch = find_batch(ask, batch_id, own=True)
    rules.take_up(batch)
    ask.did("took batch up", batch.name)
    return _one(ask, batch)


def check(ask: Asking, batch_id: Id) -> Started:
    """Check a batch."""
    batch = find_batch(ask, batch_id, own=True)
    job = rules.start_check(ask.db, batch, ask.person.name)
    ask.did("asked for check", batch.name)
    return Started(job=job.id)


def accept(ask: Asking, batch_id: Id, why: Reason) -> Started:
    """Accept a batch, all of it or none."""
    batch = find_batch(ask, batch_id, own=True)
    job = rules.start_accept(ask.db, batch, ask.person.name, why.reason)
    ask.did("accepted batch", batch.name)
    return Started(job=job.id)


def receipt(ask: Asking, batch_id: Id) -> Receipt:
    """What the crew gets for its files, once the batch was accepted."""
    batch = find_batch(ask, batch_id)
    if not batch.receipt:
        raise NotFound
    return Receipt(batch=batch.id, receipt=batch.receipt)


def findings(ask: Asking, batch_id: Id) -> Findings:
    """What the last check found, and what was decided about it."""
    batch = find_batch(ask, batch_id)
    found = ask.db.scalars(select(Found).where(Found.batch_id == batch.id).order_by(Found.number))
    made = decisions.decisions_of(ask.db, batch)
    return Findings(
        counts=batch.summary,
        sheet=batch.sheet,
        findings=[one.values for one in found],
        decisions=[DecisionLine(**{name: getattr(one, name) for name in DecisionLine.model_fields}) for one in made],
    )


def decide(ask: Asking, batch_id: Id, new: NewDecision) -> Decided:
    """Write down a decision about a batch."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.decide(ask.db, batch, ask.person.name, **new.model_dump())
    ask.did(f"decided: {made.kind}", f"{batch.name}: {made.image or made.row} {made.column} {made.value}")
    return Decided(decisions=[made.id])


def undo(ask: Asking, batch_id: Id, decision_id: Number, *, whole: bool = False) -> Decided:
    """Take a decision back; it stays on record as undone. ``whole`` takes back all that was decided with it."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.undo(ask.db, batch, decision_id, whole=whole)
    ask.did(f"undid: {made[0].kind}", f"{batch.name}: {made[0].image or made[0].row} {made[0].value}")
    return Decided(decisions=[one.id for one in made])


def accept_proposals(ask: Asking, batch_id: Id, which: Kind) -> Decided:
    """Take the proposed change of every finding of one kind."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.accept_proposals(ask.db, batch, ask.person.name, which.kind)
    ask.did("accepted proposals", f"{batch.name}: {len(made)} of {which.kind}")
    return Decided(decisions=[one.id for one in made])


def column_state(ask: Asking, batch_id: Id) -> ColumnState:
    """Which heading of the sheet is which column: confirmed, or proposals to confirm."""
    batch = find_batch(ask, batch_id)
    if not batch.sheet:
        raise NotFound
    rows = [ColumnRow(**{key: one[key] for key in ColumnRow.model_fields if key in one}) for one in
            columns.column_rows(batch.sheet)]  # fmt: skip
    return ColumnState(rows=rows, layout=batch.sheet["layout"])


def confirm_columns(ask: Asking, batch_id: Id, new: Columns) -> Started:
    """Keep the confirmed reading of the sheet and look through the batch again."""
    batch = find_batch(ask, batch_id, own=True)
    job = rules.confirm_columns(ask.db, ask.server.settings, batch, new.form, ask.person.name)
    ask.did("confirmed columns", batch.name)
    return Started(job=job.id)


def _one(ask: Ask, batch: Batch) -> BatchState:
    return _state(batch, count_files(ask.db, [batch]))


def _state(one: Batch, counts: dict[str, tuple[int, int]]) -> BatchState:
    return BatchState(
        id=one.id,
        name=one.name,
        owner=one.owner.name,
        state=one.state,
        created_at=one.created_at,
        facts=one.facts,
        summary=one.summary,
        files=counts.get(one.id, (0, 0))[0],
    )
