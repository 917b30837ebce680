"""A technician's batch from its first fact to its receipt: what may follow what, and what was decided.

States: ``open`` takes files, ``checking``, ``checked``, ``accepting``, ``accepted``; ``aside`` is a batch that was
set aside and can be taken up again. The rules of the data set itself are in intake and dataset.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from passage_cv.errors import InputError
from passage_cv.files import read_json
from passage_cv.intake.columns import CANONICAL, WORDS
from passage_cv.web.jobs import add_job, is_busy
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Batch, Decision, Job, User, utc
from passage_cv.web.uploads import files_of

FACTS = (
    "trip",
    "locationID",
    "eventID",
    "eventDate",
    "setup_id",
    "light",
    "length_type",
    "waterTemperature_C",
    "turbidity_NTU",
    "recordedBy",
    "identifiedBy",
    "permit",
    "animalCareProtocol",
)
"""Facts common to a batch that the page asks for; trip.toml among the files goes before them."""
NEW_EACH_TIME = ("trip", "eventID", "eventDate", "waterTemperature_C", "turbidity_NTU")
"""Facts that are not taken over from the last batch: they belong to the day."""
CHANGEABLE = ("open", "checked", "aside")
LONGEST_TEXT = 500


def usual_facts(db: Session, owner: User) -> dict[str, str]:
    """What this person's last batch said, without what belongs to its day."""
    last = db.scalar(select(Batch).where(Batch.owner_id == owner.id).order_by(Batch.created_at.desc()).limit(1))
    facts = dict(last.facts) if last else {}
    return {key: "" if key in NEW_EACH_TIME else str(facts.get(key, "")) for key in FACTS}


def start_batch(db: Session, owner: User, name: str, facts: Mapping[str, str]) -> Batch:
    """Begin a batch that takes files.

    Raises
    ------
    InputError
        If it has no name, or a fact has a word that its column does not know.
    """
    given = {key: facts.get(key, "").strip()[:LONGEST_TEXT] for key in FACTS}
    wanted = name.strip()[:80] or given["trip"]
    if not wanted or not wanted.isprintable():
        raise InputError("A batch needs a name", do="Give the trip, for example 2031-05-11-RKV.")
    for key, words in WORDS.items():
        if given.get(key) and given[key] not in words:
            raise InputError(f"{key} is {given[key]!r}, allowed are {', '.join(words)}", do="Choose one of these.")
    batch = Batch(owner_id=owner.id, name=wanted, facts={key: value for key, value in given.items() if value})
    db.add(batch)
    db.flush()
    return batch


def batch_folder(settings: WebSettings, batch: Batch) -> Path:
    """Everything that belongs to a batch until it is in the data set."""
    return settings.data / "batches" / batch.id


def start_check(db: Session, batch: Batch, who: str) -> Job:
    """Ask for a check of what has arrived.

    Raises
    ------
    InputError
        If there is nothing yet, or something is at work on the batch already.
    """
    _require_quiet(db, batch)
    if batch.state not in CHANGEABLE:
        raise InputError(f"Batch is {batch.state}", where=batch.name, do="Start another batch.")
    if not files_of(db, batch):
        raise InputError("No file has arrived yet", where=batch.name, do="Send the sheet and the pictures first.")
    batch.state = "checking"
    return add_job(db, "check", batch.id, {}, who)


def start_accept(db: Session, batch: Batch, who: str, reason: str) -> Job:
    """Ask for the batch to be kept in the data set, all of it or none.

    Raises
    ------
    InputError
        If it was not checked since its last change, or something must be resolved.
    """
    _require_quiet(db, batch)
    if batch.state != "checked":
        raise InputError(f"Batch is {batch.state}, not checked", where=batch.name, do="Check it first.")
    left = int(batch.summary.get("must resolve", 0))
    if left:
        raise InputError(f"{left} findings must be resolved", where=batch.name, do="Resolve them, then check again.")
    batch.state = "accepting"
    return add_job(db, "accept", batch.id, {"author": who, "reason": reason.strip()[:LONGEST_TEXT]}, who)


def set_aside(db: Session, batch: Batch) -> None:
    """Put a batch aside without losing anything of it.

    Raises
    ------
    InputError
        If it is at work or in the data set already.
    """
    _require_quiet(db, batch)
    if batch.state not in CHANGEABLE:
        raise InputError(f"Batch is {batch.state}", where=batch.name, do="It cannot be set aside now.")
    batch.state = "aside"


def take_up(batch: Batch) -> None:
    """Go on with a batch that was set aside; it is checked again before it is accepted.

    Raises
    ------
    InputError
        If it was not set aside.
    """
    if batch.state != "aside":
        raise InputError(f"Batch is {batch.state}, not set aside", where=batch.name, do="Open it instead.")
    batch.state = "open"


def decide(
    db: Session,
    batch: Batch,
    who: str,
    *,
    kind: str,
    image: str = "",
    row: int = 0,
    column: str = "",
    value: str = "",
) -> Decision:
    """Write down what a person decided: ``exclude`` a picture with a reason, ``correct`` a cell, or ``note``.

    Raises
    ------
    InputError
        If the batch cannot change, or the decision names nothing or says nothing.
    """
    if batch.state not in CHANGEABLE:
        raise InputError(f"Batch is {batch.state}", where=batch.name, do="Wait until that is done.")
    text = value.strip()[:LONGEST_TEXT]
    if kind == "exclude" and not (image and text):
        raise InputError("A picture is left out with a reason", where=image or batch.name, do="Say why.")
    if kind == "correct" and not (row >= 2 and column in CANONICAL and text.isprintable()):
        raise InputError(f"Row {row}, column {column!r} cannot be corrected", where=batch.name, do="Choose a column.")
    if kind == "note" and not text:
        raise InputError("The note is empty", where=batch.name, do="Write what you saw.")
    if kind not in {"exclude", "correct", "note"}:
        raise InputError(f"Unknown decision {kind!r}", where=batch.name, do="Use the buttons of the page.")
    made = Decision(batch_id=batch.id, kind=kind, image=image, row=row, column=column, value=text, who=who)
    db.add(made)
    db.flush()
    _mark_changed(batch, kind)
    return made


def undo(db: Session, batch: Batch, decision_id: int) -> Decision:
    """Take a decision back; it stays on record as undone.

    Raises
    ------
    InputError
        If the batch has no such decision, or cannot change.
    """
    made = db.get(Decision, decision_id)
    if made is None or made.batch_id != batch.id or made.undone_at:
        raise InputError("There is nothing to undo", where=batch.name, do="Load the page again.")
    if batch.state not in CHANGEABLE:
        raise InputError(f"Batch is {batch.state}", where=batch.name, do="Wait until that is done.")
    made.undone_at = utc()
    _mark_changed(batch, made.kind)
    return made


def decisions_of(db: Session, batch: Batch) -> list[Decision]:
    """Decisions that stand, oldest first."""
    found = select(Decision).where(Decision.batch_id == batch.id, Decision.undone_at == "").order_by(Decision.id)
    return list(db.scalars(found))


def read_check(settings: WebSettings, batch: Batch) -> dict[str, Any]:
    """What the last check found, as its job wrote it; empty before the first one."""
    path = batch_folder(settings, batch) / "check.json"
    return dict(read_json(path)) if path.is_file() else {}


def _mark_changed(batch: Batch, kind: str) -> None:
    """After a change of content the last check no longer speaks of this batch."""
    if kind != "note" and batch.state == "checked":
        batch.state = "open"


def _require_quiet(db: Session, batch: Batch) -> None:
    if is_busy(db, batch.id):
        raise InputError("The batch is being worked on", where=batch.name, do="Wait until that is done.")
