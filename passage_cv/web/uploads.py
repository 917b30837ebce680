"""Resumable uploads: how much has arrived is the size of the part file, so a killed server never lies about it.

Knows files and the database, not HTTP. A whole file moves into its batch under its own name; a file that was whole
when the server stopped is found at the next start.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import AsyncIterator, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.web.paths import below, safe_name
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import Batch, Upload, utc


class Busy(Exception):
    """Somebody else is writing to this upload."""


class OffsetDiffers(Exception):
    """The sender is not where the file is."""


class TooLong(Exception):
    """More bytes than were announced."""


def received_folder(settings: WebSettings, batch: Batch) -> Path:
    """Where the files of a batch lie as they came."""
    return settings.data / "batches" / batch.id / "received"


def part_path(settings: WebSettings, upload: Upload) -> Path:
    """The file that holds what has arrived so far."""
    return settings.data / "incoming" / upload.id


def announce(db: Session, settings: WebSettings, batch: Batch, *, name: str, length: int, sha256: str = "") -> Upload:
    """Begin an upload.

    Raises
    ------
    InputError
        If the batch takes no files any more, the name is unsafe, or it would be too much.
    """
    if batch.state not in {"open", "checked", "aside"}:
        raise InputError(f"Batch is {batch.state} and takes no files", where=batch.name, do="Start another batch.")
    kept = safe_name(name)
    held = select(func.count(), func.coalesce(func.sum(Upload.length), 0)).where(Upload.batch_id == batch.id)
    n_files, n_bytes = db.execute(held).one()
    if length > settings.upload_bytes or n_bytes + length > settings.batch_bytes or n_files >= settings.batch_files:
        raise InputError(
            f"Too much: file {length} bytes (allowed {settings.upload_bytes}), batch {n_bytes + length} bytes "
            f"(allowed {settings.batch_bytes}), {n_files + 1} files (allowed {settings.batch_files})",
            where=kept,
            do="Send several batches.",
        )
    upload = Upload(batch_id=batch.id, name=kept, length=length, sha256=sha256.lower())
    db.add(upload)
    db.flush()
    path = part_path(settings, upload)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.touch()
    return upload


def offset(settings: WebSettings, upload: Upload) -> int:
    """How many bytes have arrived."""
    if upload.done_at:
        return upload.length
    return part_path(settings, upload).stat().st_size


async def append(settings: WebSettings, upload: Upload, at: int, pieces: AsyncIterator[bytes]) -> int:
    """Write what comes at the end of the part file, flush it, and return the new offset.

    Raises
    ------
    Busy
        If another request is writing to the same upload.
    OffsetDiffers
        If ``at`` is not the end of what has arrived.
    TooLong
        If more comes than was announced; what fits is kept.
    """
    with _locked(part_path(settings, upload)) as handle:
        end = os.fstat(handle).st_size
        if end != at:
            raise OffsetDiffers
        try:
            async for piece in pieces:
                if end + len(piece) > upload.length:
                    raise TooLong
                end += _write_all(handle, piece)
        finally:
            os.fsync(handle)
        return end


def finish(db: Session, settings: WebSettings, upload: Upload) -> bool:
    """Move a whole file into its batch; False where its hash is not what the sender said, and it must come again."""
    part = part_path(settings, upload)
    found = sha256_file(part)
    if upload.sha256 and found != upload.sha256:
        part.unlink()
        db.delete(upload)
        db.commit()
        return False
    target = below(received_folder(settings, upload.batch), upload.name)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part.replace(target)
    except (FileExistsError, NotADirectoryError, IsADirectoryError) as error:
        give_up(db, settings, upload)
        raise InputError("A file and a folder have one name", where=upload.name, do="Rename one of them.") from error
    _sync(target.parent)
    for earlier in db.scalars(select(Upload).where(Upload.batch_id == upload.batch_id, Upload.name == upload.name)):
        if earlier.id != upload.id and earlier.done_at:
            db.delete(earlier)
    upload.sha256, upload.done_at = found, utc()
    db.commit()
    return True


def finish_whole(db: Session, settings: WebSettings) -> int:
    """At start: finish uploads whose last byte arrived before the server stopped. Returns how many there were."""
    finished = 0
    for upload in db.scalars(select(Upload).where(Upload.done_at == "")).all():
        part = part_path(settings, upload)
        moved = below(received_folder(settings, upload.batch), upload.name)
        if part.is_file() and part.stat().st_size == upload.length:
            finished += finish(db, settings, upload)
        elif not part.is_file() and moved.is_file() and moved.stat().st_size == upload.length:
            upload.sha256, upload.done_at = sha256_file(moved), utc()
            db.commit()
            finished += 1
    return finished


def give_up(db: Session, settings: WebSettings, upload: Upload) -> None:
    """Forget an upload and what has arrived of it."""
    part_path(settings, upload).unlink(missing_ok=True)
    db.delete(upload)
    db.commit()


def files_of(db: Session, batch: Batch, *, most: int | None = None, after: int = 0) -> list[Upload]:
    """Whole files of a batch, by name; ``most`` of them after so many."""
    found = select(Upload).where(Upload.batch_id == batch.id, Upload.done_at != "").order_by(Upload.name)
    return list(db.scalars(found.limit(most).offset(after)))


def count_files(db: Session, batches: Iterable[Batch]) -> dict[str, tuple[int, int]]:
    """Number and bytes of the whole files of each batch, by its id; a batch without any is left out."""
    ids = [batch.id for batch in batches]
    counts = (
        select(Upload.batch_id, func.count(), func.sum(Upload.length))
        .where(Upload.batch_id.in_(ids), Upload.done_at != "")
        .group_by(Upload.batch_id)
    )
    return {batch_id: (n, int(n_bytes)) for batch_id, n, n_bytes in db.execute(counts)}


@contextmanager
def _locked(path: Path) -> Iterator[int]:
    """An open part file that this request alone may write; the system lets go of it with the process."""
    handle = os.open(path, os.O_WRONLY | os.O_APPEND)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise Busy from error
        yield handle
    finally:
        os.close(handle)


def _write_all(handle: int, piece: bytes) -> int:
    view = memoryview(piece)
    while view:
        view = view[os.write(handle, view) :]
    return len(piece)


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
