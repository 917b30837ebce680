"""What every answer says to the browser, and how large a question may be.

Nothing is loaded from elsewhere, no script stands inside a page, no page may be framed. Report pages, which carry
their style, pictures and one script inside themselves, are shown in a sandbox where only that very script runs.
"""

from __future__ import annotations

import json

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from passage_cv.evaluation.page_script import script_source

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
REPORT_POLICY = (
    f"default-src 'none'; script-src {script_source()}; style-src 'unsafe-inline'; img-src data:; "
    "sandbox allow-scripts; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
)
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox; frame-ancestors 'none'"
"""For a drawing, which carries its style: opened by itself it may load and run nothing."""
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
LARGEST_FORM = 2 << 20
_TOO_LARGE = ("Too large for a form", "Files go through the upload page.")
UPLOADS = ("/uploads", "/service/log", "/api/service/log")


class Shield:
    """Adds the headers to every answer and refuses bodies that no form of ours sends."""

    def __init__(self, app: ASGIApp, *, https: bool) -> None:
        self.app, self.https = app, https

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._add(MutableHeaders(scope=message), scope["path"])
            await send(message)

        if _is_too_large(scope):
            await _refuse(send_with, as_json=scope["path"].startswith("/api/"))
            return
        await self.app(scope, receive, send_with)

    def _add(self, headers: MutableHeaders, path: str) -> None:
        for name, value in HEADERS.items():
            headers.setdefault(name, value)
        headers.setdefault("content-security-policy", POLICY)
        if not path.startswith("/static/"):
            headers.setdefault("cache-control", "no-store")
        if self.https:
            headers.setdefault("strict-transport-security", "max-age=31536000")


def _is_too_large(scope: Scope) -> bool:
    """Only the upload routes take long bodies: piece by piece, or through a file of their own."""
    if scope["path"].startswith(UPLOADS):
        return False
    headers = dict(scope["headers"])
    length = headers.get(b"content-length", b"0")
    return b"transfer-encoding" in headers or not length.isdigit() or int(length) > LARGEST_FORM


async def _refuse(send: Send, *, as_json: bool) -> None:
    kind, body = b"text/plain", f"{_TOO_LARGE[0]}; {_TOO_LARGE[1]}\n"
    if as_json:
        kind, body = b"application/json", json.dumps({"what": _TOO_LARGE[0], "where": "", "do": _TOO_LARGE[1]})
    await send({"type": "http.response.start", "status": 413, "headers": [(b"content-type", kind)]})
    await send({"type": "http.response.body", "body": body.encode()})
