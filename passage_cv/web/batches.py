"""A technician's batch from its first fact to its receipt: what may follow what, and what was decided.

States: ``open`` takes files, ``checking``, ``checked``, ``accepting``, ``accepted``; ``aside`` is a batch that was
set aside and can be taken up again. The rules of the data set itself are in intake and dataset.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from passage_cv.errors import InputError
from passage_cv.intake.columns import WORDS
from passage_cv.web import pairing
from passage_cv.web.columns import keep_layout, read_form
from passage_cv.web.decisions import CHANGEABLE, LONGEST_TEXT, require_changeable
from passage_cv.web.jobs import add_job, is_busy
from passage_cv.web.keying import require_settled
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Batch, Job, User, utc
from passage_cv.web.uploads import count_files

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


def usual_facts(db: Session, owner: User) -> dict[str, str]:
    """What this person's last batch said, without what belongs to its day."""
    last = db.scalar(select(Batch).where(Batch.owner_id == owner.id).order_by(Batch.created_at.desc()).limit(1))
    facts = dict(last.facts) if last else {}
    return {key: "" if key in NEW_EACH_TIME else str(facts.get(key, "")) for key in FACTS}


def start_batch(db: Session, owner: User, name: str, facts: Mapping[str, str]) -> Batch:
    """Begin a batch that takes files; without a name or a trip it is named after the moment.

    Raises
    ------
    InputError
        If the name cannot be used, or a fact has a word that its column does not know.
    """
    given = read_facts(facts)
    wanted = name.strip()[:80] or given.get("trip", "") or f"batch of {utc()[:16].replace('T', ' ')}"
    if not wanted.isprintable():
        raise InputError("A batch needs a name", do="Give the trip, for example 2031-05-11-RKV.")
    batch = Batch(owner_id=owner.id, name=wanted, facts=given)
    db.add(batch)
    db.flush()
    return batch


def change_facts(batch: Batch, facts: Mapping[str, str]) -> None:
    """Say the facts common to a batch anew; it must be checked again.

    Raises
    ------
    InputError
        If the batch cannot change, or a fact has a word that its column does not know.
    """
    require_changeable(batch)
    batch.facts = read_facts(facts)
    if batch.state == "checked":
        batch.state = "open"


def confirm_columns(db: Session, settings: WebSettings, batch: Batch, form: Mapping[str, str], who: str) -> Job:
    """Keep how the sheet is read, for this batch and the next of its kind, and look through it again.

    Raises
    ------
    InputError
        If the batch cannot change or was not checked yet, or a column or unit does not fit.
    """
    _require_ready(db, batch)
    if not batch.sheet:
        raise InputError("The sheet was not read yet", where=batch.name, do="Check the batch first.")
    root = batch_folder(settings, batch)
    keep_layout(settings, root, read_form(batch.sheet, form, who))
    if not pairing.is_confirmed(root):
        pairing.forget(root)
    return start_check(db, batch, who)


def confirm_pairing(db: Session, settings: WebSettings, batch: Batch, at: int, who: str) -> Job:
    """Sign the pairing as the page shows it, and look through the batch with it.

    Raises
    ------
    InputError
        If the batch cannot change, or the pairing has changed or is not whole.
    """
    _require_ready(db, batch)
    pairing.confirm(batch_folder(settings, batch), at, who)
    return start_check(db, batch, who)


def pair_anew(db: Session, settings: WebSettings, batch: Batch, who: str) -> Job:
    """Forget the pairing, confirmed or not, and propose one from what is there now.

    Raises
    ------
    InputError
        If the batch cannot change.
    """
    _require_ready(db, batch)
    pairing.forget(batch_folder(settings, batch))
    return start_check(db, batch, who)


def read_facts(facts: Mapping[str, str]) -> dict[str, str]:
    """The facts of a form that were filled in.

    Raises
    ------
    InputError
        If a fact has a word that its column does not know.
    """
    given = {key: facts.get(key, "").strip()[:LONGEST_TEXT] for key in FACTS}
    for key, words in WORDS.items():
        if given.get(key) and given[key] not in words:
            raise InputError(f"{key} is {given[key]!r}, allowed are {', '.join(words)}", do="Choose one of these.")
    return {key: value for key, value in given.items() if value}


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
    _require_ready(db, batch)
    if not count_files(db, [batch]):
        raise InputError("No file has arrived yet", where=batch.name, do="Send the sheet and the pictures first.")
    batch.state = "checking"
    return add_job(db, "check", batch.id, {}, who)


def start_accept(db: Session, batch: Batch, who: str, reason: str) -> Job:
    """Ask for the batch to be kept in the data set, all of it or none.

    Raises
    ------
    InputError
        If it was not checked since its last change, something must be resolved, or a second reader is at its paper.
    """
    _require_quiet(db, batch)
    if batch.state != "checked":
        raise InputError(f"Batch is {batch.state}, not checked", where=batch.name, do="Check it first.")
    left = int(batch.summary.get("must resolve", 0))
    if left:
        raise InputError(f"{left} findings must be resolved", where=batch.name, do="Resolve them, then check again.")
    require_settled(db, batch)
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


def _require_ready(db: Session, batch: Batch) -> None:
    """Refuse what would end in a check before any file of it is written: afterwards it cannot be taken back."""
    _require_quiet(db, batch)
    if batch.state not in CHANGEABLE:
        raise InputError(f"Batch is {batch.state}", where=batch.name, do="Start another batch.")
    require_settled(db, batch)


def _require_quiet(db: Session, batch: Batch) -> None:
    if is_busy(db, batch.id):
        raise InputError("The batch is being worked on", where=batch.name, do="Wait until that is done.")
