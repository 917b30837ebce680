"""The tus protocol 1.0.0 (core, creation, creation-with-upload, termination) over ``uploads``."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping

from anyio.to_thread import run_sync
from fastapi.responses import Response
from starlette.requests import ClientDisconnect

from passage_cv.errors import InputError
from passage_cv.web import uploads
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.tables import Batch, Upload

VERSION = {"tus-resumable": "1.0.0"}
PIECES = "application/offset+octet-stream"
_HASH_DIGITS = 64


def capabilities(ask: Asking) -> Response:
    """What this server understands."""
    extensions = "creation,creation-with-upload,termination"
    limits = {"tus-max-size": str(ask.server.settings.upload_bytes)}
    return Response(
        status_code=204, headers={**VERSION, "tus-version": "1.0.0", "tus-extension": extensions, **limits}
    )


async def create(ask: Asking) -> Response:
    """Begin a file of the person's own batch, perhaps with its first bytes."""
    length = _number(ask, "upload-length")
    given = _metadata(ask.request.headers.get("upload-metadata", ""))
    batch = ask.db.get(Batch, given.get("batch", ""))
    if batch is None or batch.owner_id != ask.person.id:
        raise NotFound
    sha256 = given.get("sha256", "")
    if sha256 and (len(sha256) != _HASH_DIGITS or not sha256.isalnum()):
        raise InputError("SHA-256 has not 64 digits", where="upload-metadata", do="Leave it out or send it whole.")
    upload = uploads.announce(
        ask.db, ask.server.settings, batch, name=given.get("filename", ""), length=length, sha256=sha256
    )
    ask.db.commit()
    headers = {"location": f"/uploads/{upload.id}"}
    if ask.request.headers.get("content-type") == PIECES or not length:
        return await _append(ask, upload, 0, status=201, headers=headers)
    return Response(status_code=201, headers={**VERSION, **headers, "upload-offset": "0"})


async def offset(ask: Asking, upload_id: str) -> Response:
    """How much of a file has arrived."""
    upload = _own(ask, upload_id)
    at = str(uploads.offset(ask.server.settings, upload))
    return Response(headers={**VERSION, "upload-offset": at, "upload-length": str(upload.length)})


async def append(ask: Asking, upload_id: str) -> Response:
    """Take the next bytes of a file."""
    upload = _own(ask, upload_id)
    if ask.request.headers.get("content-type") != PIECES:
        return Response(status_code=415, headers=VERSION)
    if upload.done_at:
        return Response(status_code=409, headers={**VERSION, "upload-offset": str(upload.length)})
    return await _append(ask, upload, _number(ask, "upload-offset"), status=204, headers={})


async def give_up(ask: Asking, upload_id: str) -> Response:
    """Forget a file that is not whole yet."""
    upload = _own(ask, upload_id)
    if upload.done_at:
        return Response(status_code=409, headers=VERSION)
    uploads.give_up(ask.db, ask.server.settings, upload)
    return Response(status_code=204, headers=VERSION)


async def _append(ask: Ask, upload: Upload, at: int, *, status: int, headers: Mapping[str, str]) -> Response:
    settings = ask.server.settings
    try:
        end = await uploads.append(settings, upload, at, ask.request.stream())
    except uploads.Busy:
        return Response(status_code=423, headers=VERSION)
    except uploads.OffsetDiffers:
        now = str(uploads.offset(settings, upload))
        return Response(status_code=409, headers={**VERSION, "upload-offset": now})
    except uploads.TooLong:
        return Response(status_code=413, headers=VERSION)
    except ClientDisconnect:
        return Response(status_code=400, headers=VERSION)
    if end == upload.length and not await run_sync(uploads.finish, ask.db, settings, upload):
        return Response("The bytes are not those of the file; it starts again.\n", status_code=460, headers=VERSION)
    return Response(status_code=status, headers={**VERSION, **headers, "upload-offset": str(end)})


def _own(ask: Ask, upload_id: str) -> Upload:
    found = ask.db.get(Upload, upload_id)
    if found is None or found.batch.owner_id != ask.person.id:
        raise NotFound
    return found


def _number(ask: Ask, header: str) -> int:
    text = ask.request.headers.get(header, "")
    if not text.isascii() or not text.isdigit() or len(text) > 15:
        raise InputError(f"{header} is {text[:40]!r}, not a number of bytes", where="upload", do="Send it as digits.")
    return int(text)


def _metadata(header: str) -> dict[str, str]:
    """Pairs of a name and base64 text, as tus writes them."""
    pairs = [part.strip().partition(" ") for part in header.split(",") if part.strip()]
    try:
        return {name: base64.b64decode(text, validate=True).decode() for name, _, text in pairs}
    except (binascii.Error, UnicodeDecodeError) as error:
        raise InputError(f"Metadata cannot be read: {error}", where="upload-metadata", do="Write base64.") from error
