"""Start-up: one FastAPI application from the settings and the route table, and how refusals are answered."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.staticfiles import StaticFiles

from passage_cv.errors import PassageError
from passage_cv.files import write_text
from passage_cv.web import accounts, uploads
from passage_cv.web.ask import Ask, ForeignForm, NotAllowed, NotFound, NotSignedIn, Server, TooOften, require
from passage_cv.web.database import open_database
from passage_cv.web.headers import HEADERS, POLICY, Shield
from passage_cv.web.limits import Limits, RateLimit
from passage_cv.web.openapi import ABOUT, described, tell_of_tokens
from passage_cv.web.pages import STATIC, build_pages
from passage_cv.web.patience import NotReadyYet
from passage_cv.web.routes import ROUTES
from passage_cv.web.settings import WebSettings
from passage_cv.web.texts import Texts, read_languages
from passage_cv.web.worker import Workers

_REFUSED = 422
_PLAIN = ("/api/", "/uploads")
"""Addresses that machines call: they get JSON instead of a page."""


def create_app(settings: WebSettings, *, with_workers: bool = True) -> FastAPI:
    """The application; ``app.state.server`` is what its requests share.

    Raises
    ------
    InputError
        If the database or the texts cannot be opened.
    """
    server = _open_server(settings)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        del app
        with server.sessions() as db:
            uploads.finish_whole(db, settings)
        workers = Workers(settings, server.sessions) if with_workers else None
        if workers:
            workers.start()
        yield
        if workers:
            workers.stop()

    app = FastAPI(
        title="passage_cv",
        description=ABOUT,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.server = server
    for route in ROUTES:
        app.add_api_route(
            route.path,
            route.view,
            methods=[route.method],
            dependencies=[Depends(require(route.who, route.starts_work))],
            name=f"{route.method} {route.path}",
            **described(route),
        )
    tell_of_tokens(app)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    _add_refusals(app)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=settings.host_names)
    app.add_middleware(Shield, https=settings.https)
    return app


def first_link(app: FastAPI) -> str:
    """Path of the one-time link for the first administrator; empty where somebody has joined."""
    server: Server = app.state.server
    with server.sessions.begin() as db:
        secret = accounts.invite_first(db)
    return f"/join/{secret}" if secret else ""


def _open_server(settings: WebSettings) -> Server:
    return Server(
        settings=settings,
        sessions=open_database(settings),
        languages=read_languages(settings.language),
        pages=build_pages(),
        secret=settings.secret or _own_secret(settings),
        sign_ins=RateLimit(settings.sign_ins_per_5_min),
        limits=Limits(settings),
    )


def _own_secret(settings: WebSettings) -> str:
    """A secret of this data folder, made once and readable by its owner alone."""
    path = settings.data / "secret"
    if not path.is_file():
        write_text(path, secrets.token_urlsafe(48))
        path.chmod(0o600)
    return path.read_text(encoding="utf-8")


def _add_refusals(app: FastAPI) -> None:
    """Each way to say no: a page for a browser, JSON for a machine, and never a traceback."""

    @app.exception_handler(PassageError)
    def refused(request: Request, error: PassageError) -> Response:
        where = error.where.replace(str(app.state.server.settings.data), "").strip("/")
        return _answer(request, _REFUSED, error.what, where, error.do)

    @app.exception_handler(RequestValidationError)
    def unreadable(request: Request, error: RequestValidationError) -> Response:
        problems = "; ".join(f"{one['loc'][-1]}: {one['msg']}" for one in error.errors())
        return _answer(request, _REFUSED, problems, "", _text(request, "refusal.form_do"))

    @app.exception_handler(NotSignedIn)
    def not_signed_in(request: Request, error: NotSignedIn) -> Response:
        del error
        if request.url.path.startswith(_PLAIN):
            return _answer(request, 401, _text(request, "refusal.sign_in"), "", "")
        return RedirectResponse("/sign-in", status_code=303)

    @app.exception_handler(TooOften)
    def too_often(request: Request, error: TooOften) -> Response:
        wait_s = int(error.wait_s) + 1
        do = _text(request, "refusal.often_do", n=wait_s)
        answer = _answer(request, 429, _text(request, "refusal.often"), "", do)
        answer.headers["retry-after"] = str(wait_s)
        return answer

    app.add_exception_handler(NotReadyYet, _not_ready)
    for kind, status, key in ((NotAllowed, 403, "roles"), (NotFound, 404, "missing"), (ForeignForm, 403, "foreign")):
        app.add_exception_handler(kind, _simple(status, key))
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _broken)


def _not_ready(request: Request, error: Exception) -> Response:
    """What the page shows is being worked out: the page says so and comes back by itself; a machine asks again."""
    del error
    if request.url.path.startswith(_PLAIN):
        answer = _answer(request, 503, _text(request, "waiting.title"), "", _text(request, "waiting.said"))
    else:
        again = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        server: Server = request.app.state.server
        with server.sessions() as db:
            answer = _asker(request, server, db).page("waiting", status=202, again=again)
    answer.headers["retry-after"] = "2"
    return answer


def _simple(status: int, key: str):  # type: ignore[no-untyped-def]  # noqa: ANN202 - a handler of starlette's own type
    def answer(request: Request, error: Exception) -> Response:
        del error
        return _answer(request, status, _text(request, f"refusal.{key}"), "", _text(request, f"refusal.{key}_do"))

    return answer


def _http(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    key = "missing" if status == 404 else "other"
    answer = _answer(request, status, _text(request, f"refusal.{key}"), "", _text(request, f"refusal.{key}_do"))
    if isinstance(error, HTTPException) and error.headers:
        answer.headers.update(error.headers)
    return answer


def _broken(request: Request, error: Exception) -> Response:
    """Our own mistake: the server's log has it, the page does not; it is answered outside of :class:`Shield`."""
    del error
    answer = _answer(request, 500, _text(request, "refusal.broken"), "", _text(request, "refusal.other_do"))
    answer.headers.update({**HEADERS, "content-security-policy": POLICY, "cache-control": "no-store"})
    return answer


def _text(request: Request, key: str, **values: object) -> str:
    return _texts(request)(key, **values)


def _texts(request: Request) -> Texts:
    server: Server = request.app.state.server
    return server.languages.for_browser(request.headers.get("accept-language", ""))


def _answer(request: Request, status: int, what: str, where: str, do: str) -> Response:
    what, where, do = map(_texts(request).said, (what, where, do))
    if request.url.path.startswith(_PLAIN):
        return JSONResponse({"what": what, "where": where, "do": do}, status_code=status)
    if "hx-request" in request.headers:
        return PlainTextResponse("\n".join(filter(None, (what, where, do))), status_code=status)
    server: Server = request.app.state.server
    with server.sessions() as db:
        ask: Ask = _asker(request, server, db)
        return ask.page("refusal", status=status, what=what, where=where, do=do)


def _asker(request: Request, server: Server, db) -> Ask:  # type: ignore[no-untyped-def]  # noqa: ANN001
    """Whom to show a refusal to, with their own navigation."""
    secret = request.cookies.get("passage", "")
    visit = accounts.find_visit(db, secret)
    return Ask(request, server, db, visit.user if visit else None, secret)
