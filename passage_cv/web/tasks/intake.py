"""Check a batch and accept it, with the same functions as the command line."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import Any

from sqlalchemy import select

from passage_cv.dataset.accept import accept_batch, check_beside_store
from passage_cv.dataset.segments import batch_id
from passage_cv.dataset.store import Store, store_exists
from passage_cv.dataset.versions import Version, latest_version, open_version
from passage_cv.errors import InputError
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import check_batch
from passage_cv.web.batches import FACTS, batch_folder
from passage_cv.web.checking import keep_check, lay_out
from passage_cv.web.columns import layouts_folder
from passage_cv.web.decisions import decisions_of, initials_of_people
from passage_cv.web.jobs import Work
from passage_cv.web.keying import keyings_of
from passage_cv.web.pairing import pair_if_needed
from passage_cv.web.remembered import remember
from passage_cv.web.research import is_looking_for_leaks, start_leaks
from passage_cv.web.second_reader import remember_ahead
from passage_cv.web.tables import Batch, User


def check(work: Work) -> dict[str, Any]:
    """Look through a batch and keep what was found for the page; the data set is not touched."""
    checked = _beside_store(work, _checked(work, keep_working=False))
    with work.sessions.begin() as db:
        batch = db.get_one(Batch, work.subject)
        keep_check(db, batch, checked, batch_folder(work.settings, batch))
        batch.sheet = {**batch.sheet, "kept": _kept_before(work, checked)}
        return dict(batch.summary)


def _kept_before(work: Work, checked: CheckedBatch) -> str:
    """The batch of the data set that is this one byte for byte; empty where none is, or something is unresolved."""
    if checked.unresolved or not store_exists(work.settings.store_root):
        return ""
    newest = latest_version(Store.open(work.settings.store_root))
    entry = newest.find_batch(batch_id(checked)) if newest else None
    return entry.id if entry else ""


def _beside_store(work: Work, checked: CheckedBatch) -> CheckedBatch:
    """Add what only shows beside earlier batches: known pictures, look-alikes, set-ups, permits."""
    if not store_exists(work.settings.store_root):
        return checked
    work.progress("Comparing with the data set", 0, 1)
    found = check_beside_store(checked, Store.open(work.settings.store_root))
    return replace(checked, findings=(*checked.findings, *found))


def accept(work: Work) -> dict[str, Any]:
    """Check once more and keep the batch, all of it or none."""
    if not store_exists(work.settings.store_root):
        raise InputError("The data set was not begun yet", do="Ask a researcher to begin it on the page Data set.")
    store = Store.open(work.settings.store_root)
    checked = _checked(work, keep_working=True)
    receipt = accept_batch(
        checked, store, author=work.given["author"], reason=work.given["reason"], progress=work.progress
    )
    with work.sessions.begin() as db:
        batch = db.get_one(Batch, work.subject)
        batch.receipt, batch.state = receipt.as_dict(), "accepted"
    with suppress(OSError, InputError):  # the batch is kept, whatever becomes of what only makes pages quick
        _remember(work, open_version(store))
    return {"version": receipt.version}


def _remember(work: Work, newest: Version) -> None:
    """Work out what pages will show of a new version; leaks of a large one are looked for by work of their own."""
    work.progress("Preparing the pages of the new version", 0, 1)
    is_whole = remember(work.settings, newest)
    with work.sessions.begin() as db:
        readers = {initials for initials in db.scalars(select(User.initials)) if initials}
        if not is_whole and not is_looking_for_leaks(db, newest):
            start_leaks(db, newest, work.who)
    remember_ahead(work.settings, newest, readers)


def _checked(work: Work, *, keep_working: bool) -> CheckedBatch:
    with work.sessions() as db:
        batch = db.get_one(Batch, work.subject)
        decisions, keyings = decisions_of(db, batch), keyings_of(db, batch)
        initials = initials_of_people(db)
    root = batch_folder(work.settings, batch)
    folder = lay_out(
        work.settings, root, batch.name, decisions, keyings=keyings, initials=initials, progress=work.progress
    )
    layouts = layouts_folder(work.settings)
    facts = {key: str(batch.facts[key]) for key in FACTS if batch.facts.get(key)}
    pair_if_needed(root, folder, layouts=layouts, facts=facts, progress=work.progress)
    return check_batch(
        folder,
        facts=facts,
        layouts=layouts,
        keep_working=keep_working,
        progress=work.progress,
    )
