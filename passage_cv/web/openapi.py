"""What the OpenAPI document says beside each route: who may use it, what it gives, and how it says no."""

from __future__ import annotations

import inspect
from typing import Any

from fastapi import FastAPI
from fastapi.responses import JSONResponse, Response

from passage_cv.web.people import SIGNED_IN
from passage_cv.web.route import Route
from passage_cv.web.views.api_records import Refusal

ABOUT = """
Everything that the pages do, for scripts. Make a token on the page *Account* and send it with every request:
`Authorization: Bearer pcv_…`. It acts as its owner, with the roles that its owner has at that moment, for 180 days;
it ends at once when its owner ends it, is switched off or gets a new password.

Work that takes longer than a moment answers `{"job": "<id>"}`: ask `GET /api/jobs/<id>` until `state` is `done`,
`failed` (then `refusal` says why) or `cancelled`. What it made is the thing `GET /api/things/<result.made>`.

Whatever is refused comes back as `{"what", "where", "do"}`: what was found, where, and one thing to do. Status 401
asks for a token, 403 says that none of its roles may do this, 404 that there is no such thing or that it belongs to
somebody else, 413 that the body is too long, 422 that it cannot be done as asked, 429 to wait `Retry-After` seconds,
503 that the answer is still being worked out: ask again after `Retry-After` seconds.

## Sending files

Files of a batch go to `/uploads` (tus 1.0.0 with creation, creation-with-upload, termination), with the same token.

1. `POST /uploads` with the headers `Tus-Resumable: 1.0.0`, `Upload-Length: <bytes>` and
   `Upload-Metadata: batch <id>,filename <path>,sha256 <64 hex digits>`, each value in base64. The path uses `/` and
   may name folders; the hash may be left out. Status 201, and the file's address in `Location`.
2. `PATCH <address>` with `Content-Type: application/offset+octet-stream`, `Upload-Offset: <bytes sent so far>` and
   the next bytes as body, pieces as large as you like. Status 204, and in `Upload-Offset` how much has arrived. A
   small file may come whole as the body of step 1 with that content type.
3. After a broken line `HEAD <address>` says in `Upload-Offset` where to go on. Status 409 says that you are not
   there, 423 that another request still writes, 460 that the bytes do not have the announced hash: begin that file
   again.

`GET /api/batches/<id>/received` lists what has arrived with its hashes. Then ask for `POST /api/batches/<id>/check`.
"""
_BEARER = "token"
_SAYS_NO = {
    401: "No token, or one that does not hold",
    403: "None of the roles that may do this",
    404: "There is no such thing, or it belongs to somebody else",
    413: "The body is too long",
    422: "It cannot be done as asked",
    429: "Asked too often",
    503: "Still being worked out; ask again",
}


def described(route: Route) -> dict[str, Any]:
    """What FastAPI is told of a route that scripts use, besides its view."""
    if not route.is_for_scripts:
        return {"include_in_schema": False}
    said = {status: {"model": Refusal, "description": why} for status, why in _SAYS_NO.items()}
    about = inspect.cleandoc(route.view.__doc__ or "")
    roles = "everybody" if route.who == SIGNED_IN else ", ".join(sorted(route.who))
    return {
        "description": f"{about}\n\nFor: {roles}.",
        "summary": about.partition("\n")[0].partition(":")[0].partition(";")[0].rstrip("."),
        "responses": {**said, **({200: {"content": {route.gives: {}}}} if route.gives else {})},
        "response_class": Response if route.gives else JSONResponse,
        "openapi_extra": {"x-roles": sorted(route.who)},
    }


def tell_of_tokens(app: FastAPI) -> None:
    """Let the document say that every route takes a token."""
    make = app.openapi

    def with_tokens() -> dict[str, Any]:
        found = make()
        found.setdefault("components", {})["securitySchemes"] = {_BEARER: {"type": "http", "scheme": "bearer"}}
        found["security"] = [{_BEARER: []}]
        return found

    app.openapi = with_tokens  # type: ignore[method-assign]  # FastAPI's own way to extend the document
