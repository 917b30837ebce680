"""The technician's pages: from a batch's first fact to its receipt."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

from fastapi import Form, Query
from fastapi.responses import FileResponse, JSONResponse, Response
from sqlalchemy import func, select
from sqlalchemy.orm import joinedload

from passage_cv.intake.columns import WORDS
from passage_cv.intake.containers import read_container
from passage_cv.web import batches as rules
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.decisions import count_decisions, newest_decisions, presses_of
from passage_cv.web.keying import UNREAD, keyings_of
from passage_cv.web.paths import below
from passage_cv.web.people import Role
from passage_cv.web.tables import Batch, Job, Upload
from passage_cv.web.uploads import count_files, files_of, received_folder

Text = Annotated[str, Form()]
Page = Annotated[int, Query(ge=1, le=100_000)]
BATCHES_PER_PAGE = 100
FILES_PER_PAGE = 100
FILES_ON_RECEIPT = 200
DECISIONS_SHOWN = 100
OLDER_RECEIPTS_LACK: Mapping[str, object] = {
    "changed": True,
    "collected": {},
    "corrected": (),
    "counted": {},
    "findings": (),
    "let_stand": (),
    "paired_by": "",
    "permits": (),
}
"""What a receipt says in a field that was not kept when its batch was accepted."""


def batch_list(ask: Asking, page: Page = 1) -> Response:
    """What became of my batches, newest first; a researcher sees everybody's."""
    seen = () if Role.RESEARCHER in ask.roles else (Batch.owner_id == ask.person.id,)
    found = select(Batch).where(*seen).order_by(Batch.created_at.desc(), Batch.id)
    shown = found.options(joinedload(Batch.owner)).limit(BATCHES_PER_PAGE).offset((page - 1) * BATCHES_PER_PAGE)
    n = ask.db.scalar(select(func.count()).select_from(Batch).where(*seen)) or 0
    return ask.page("batches", batches=ask.db.scalars(shown).all(), page=page, pages=_pages(n, BATCHES_PER_PAGE))


def batch_form(ask: Asking) -> Response:
    """Facts of a new batch, with those of the last one filled in."""
    facts = rules.usual_facts(ask.db, ask.person)
    return ask.page("batch_new", facts=facts, words=WORDS, fresh=rules.NEW_EACH_TIME)


async def start(ask: Asking) -> Response:
    """Begin a batch."""
    form = {key: str(value) for key, value in (await ask.request.form()).items()}
    batch = rules.start_batch(ask.db, ask.person, form.get("name", ""), form)
    ask.did("began batch", f"{batch.name} ({batch.id})")
    return ask.go(f"/batches/{batch.id}")


def show(ask: Asking, batch_id: str, files: Page = 1) -> Response:
    """One batch: its files, what was found, and what can be done next."""
    batch = find_batch(ask, batch_id)
    arrived = count_files(ask.db, [batch]).get(batch.id, (0, 0))
    return ask.page(
        "batch",
        batch=batch,
        files=files_of(ask.db, batch, most=FILES_PER_PAGE, after=(files - 1) * FILES_PER_PAGE),
        files_page=files,
        files_pages=_pages(arrived[0], FILES_PER_PAGE),
        arrived=arrived,
        n_partial=_count_partial(ask, batch),
        job=last_job(ask, batch.id),
        decisions=newest_decisions(ask.db, batch, DECISIONS_SHOWN),
        n_decisions=count_decisions(ask.db, batch),
        presses=presses_of(ask.db, batch),
        unread=[one for one in keyings_of(ask.db, batch) if one.state in UNREAD],
        is_owner=batch.owner_id == ask.person.id,
        fact_names=rules.FACTS,
        words=WORDS,
    )


async def change_facts(ask: Asking, batch_id: str) -> Response:
    """Say the facts common to the batch anew."""
    batch = find_batch(ask, batch_id, own=True)
    rules.change_facts(batch, {key: str(value) for key, value in (await ask.request.form()).items()})
    ask.did("changed facts", batch.name)
    return ask.go(f"/batches/{batch.id}")


def received(ask: Asking, batch_id: str) -> Response:
    """Names, sizes and hashes of what has arrived, so that a browser sends nothing twice."""
    batch = find_batch(ask, batch_id, own=True)
    return JSONResponse({one.name: {"bytes": one.length, "sha256": one.sha256} for one in files_of(ask.db, batch)})


def check(ask: Asking, batch_id: str) -> Response:
    """Ask for a check."""
    batch = find_batch(ask, batch_id, own=True)
    rules.start_check(ask.db, batch, ask.person.name)
    ask.did("asked for check", batch.name)
    return ask.go(f"/batches/{batch.id}")


def accept(ask: Asking, batch_id: str, reason: Text = "") -> Response:
    """Ask for the batch to be kept."""
    batch = find_batch(ask, batch_id, own=True)
    rules.start_accept(ask.db, batch, ask.person.name, reason)
    ask.did("accepted batch", batch.name)
    return ask.go(f"/batches/{batch.id}")


def set_aside(ask: Asking, batch_id: str) -> Response:
    """Set a batch aside."""
    batch = find_batch(ask, batch_id, own=True)
    rules.set_aside(ask.db, batch)
    ask.did("set batch aside", batch.name)
    return ask.go("/batches")


def take_up(ask: Asking, batch_id: str) -> Response:
    """Go on with a batch that was set aside."""
    batch = find_batch(ask, batch_id, own=True)
    rules.take_up(batch)
    ask.did("took batch up", batch.name)
    return ask.go(f"/batches/{batch.id}")


def picture(ask: Asking, batch_id: str, name: str) -> Response:
    """A picture of a batch: as laid out for the check, or as received before one."""
    batch = find_batch(ask, batch_id)
    work = rules.batch_folder(ask.server.settings, batch) / "work"
    laid_out = [path for path in work.iterdir() if path.is_dir()] if work.is_dir() else []
    paths = (below(folder, name) for folder in (*laid_out, received_folder(ask.server.settings, batch)))
    return answer_picture(next((path for path in paths if path.is_file()), None))


def answer_picture(path: Path | None) -> Response:
    """A picture, told by its first bytes and never taken for a page."""
    if path is None or not path.is_file():
        raise NotFound
    container = read_container(path.read_bytes())
    if container is None:
        raise NotFound
    kind = {"jpg": "jpeg"}.get(container.kind, container.kind)
    return FileResponse(path, media_type=f"image/{kind}")


def receipt(ask: Asking, batch_id: str) -> Response:
    """What the crew gets for its files."""
    batch = find_batch(ask, batch_id)
    if not batch.receipt:
        raise NotFound
    stood = {one["message"]: one for one in batch.receipt.get("let_stand", ())}
    return ask.page(
        "receipt",
        batch=batch,
        receipt={**OLDER_RECEIPTS_LACK, **batch.receipt},
        stood=stood,
        files=files_of(ask.db, batch, most=FILES_ON_RECEIPT),
        n_files=count_files(ask.db, [batch]).get(batch.id, (0, 0))[0],
        written=_not_sent(ask, batch),
    )


def _not_sent(ask: Ask, batch: Batch) -> dict[str, str]:
    """Files kept beside the batch that nobody sent: name to SHA-256."""
    kept: dict[str, str] = batch.receipt["files"]
    same = select(Upload.sha256).where(Upload.batch_id == batch.id, Upload.sha256.in_(kept.values()))
    sent = set(ask.db.scalars(same))
    return {name: sha256 for name, sha256 in kept.items() if sha256 not in sent}


def find_batch(ask: Ask, batch_id: str, *, own: bool = False) -> Batch:
    """A batch that this person may see (their own, or any for a researcher), or ``own`` alone."""
    batch = ask.db.get(Batch, batch_id)
    if batch is None or (batch.owner_id != ask.person.id and (own or Role.RESEARCHER not in ask.roles)):
        raise NotFound
    return batch


def last_job(ask: Ask, subject: str) -> Job | None:
    """The newest work on something."""
    return ask.db.scalar(select(Job).where(Job.subject == subject).order_by(Job.created_at.desc()).limit(1))


def _count_partial(ask: Ask, batch: Batch) -> int:
    partial = select(func.count()).select_from(Upload).where(Upload.batch_id == batch.id, Upload.done_at == "")
    return ask.db.scalar(partial) or 0


def _pages(n: int, per_page: int) -> int:
    return max(1, -(-n // per_page))
