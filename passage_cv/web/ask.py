"""One request as the views see it: who asks, the open database, and how to answer.

The dependency that every route has. It finds the person, refuses a route that is not theirs, and refuses a change
that does not come from a page of this server.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment
from sqlalchemy.orm import Session

from passage_cv.web import accounts
from passage_cv.web.database import Sessions
from passage_cv.web.limits import Kind, Limits, RateLimit
from passage_cv.web.people import Role, Who
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import User, utc
from passage_cv.web.texts import Languages, Texts

COOKIE = "passage"
FORM_FIELD = "mark"
HEADER = "x-form-mark"
SAFE = {"GET", "HEAD", "OPTIONS"}
_SEEN_EVERY_CHARS = 15
"""A visit is marked as seen once a minute: when the text of the time differs before the minute's last digit."""


class NotSignedIn(Exception):
    """The route needs a person."""


class NotAllowed(Exception):
    """The route belongs to other roles."""


class NotFound(Exception):
    """There is no such thing, or it belongs to somebody else: the visitor is not told which."""


class ForeignForm(Exception):
    """A change that no page of this server asked for."""


class TooOften(Exception):
    """More than one person or address may ask at a time."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = wait_s
        super().__init__(f"{wait_s:.0f} s")


@dataclass(frozen=True)
class Server:
    """What one running server shares between requests."""

    settings: WebSettings
    sessions: Sessions
    languages: Languages
    pages: Environment
    secret: str
    sign_ins: RateLimit
    limits: Limits


@dataclass
class Ask:
    """One request."""

    request: Request
    server: Server
    db: Session
    user: User | None
    visit_secret: str
    by_token: bool = False
    fresh: bool = False

    @property
    def roles(self) -> frozenset[Role]:
        """Roles of the person who asks."""
        return accounts.roles_of(self.user)

    @property
    def person(self) -> User:
        """The person who asks, on routes that need one."""
        if self.user is None:
            raise NotSignedIn
        return self.user

    @property
    def mark(self) -> str:
        """What forms of this visitor carry."""
        return accounts.form_mark(self.server.secret, self.visit_secret)

    @property
    def texts(self) -> Texts:
        """Texts in the language that this browser asks for."""
        return self.server.languages.for_browser(self.request.headers.get("accept-language", ""))

    @property
    def address(self) -> str:
        """Where the request comes from."""
        return self.request.client.host if self.request.client else ""

    def did(self, what: str, subject: str = "") -> None:
        """Write down that this person did something, and keep all changes of this request."""
        accounts.record(self.db, self.person.name, what, subject)
        self.db.commit()

    def page(self, template: str, *, status: int = 200, **values: object) -> HTMLResponse:
        """A page of the application."""
        found = self.server.pages.get_template(f"{template}.html.j2")
        text = found.render(ask=self, t=self.texts, user=self.user, roles=self.roles, mark=self.mark, **values)
        answer = HTMLResponse(text, status_code=status)
        if self.fresh:
            self.remember(answer, self.visit_secret)
        return answer

    def remember(self, answer: Response, secret: str) -> None:
        """Give the browser a cookie that scripts cannot read and other sites cannot send."""
        secure = self.server.settings.https or self.request.url.scheme == "https"
        answer.set_cookie(COOKIE, secret, httponly=True, samesite="strict", secure=secure, path="/")

    def go(self, path: str) -> RedirectResponse:
        """Send the browser on after a change, so that reloading repeats nothing."""
        return RedirectResponse(path, status_code=303)


async def read_mark(request: Request) -> str:
    """The form mark that a change carries, in a header or in its form."""
    if request.method in SAFE:
        return ""
    found = request.headers.get(HEADER, "")
    kind = request.headers.get("content-type", "")
    if not found and kind.startswith(("application/x-www-form-urlencoded", "multipart/form-data")):
        found = str((await request.form()).get(FORM_FIELD, ""))
    return found


def open_ask(request: Request, given_mark: Annotated[str, Depends(read_mark)]) -> Iterator[Ask]:
    """Find out who asks; refuse changes that other pages ask for."""
    server: Server = request.app.state.server
    with server.sessions() as db:
        ask = _identify(request, server, db)
        if request.method not in SAFE and not ask.by_token:
            _require_own_form(ask, given_mark)
        yield ask


Asking = Annotated[Ask, Depends(open_ask)]


def require(who: Who, starts_work: bool = False) -> Callable[[Ask], None]:  # noqa: FBT001, FBT002 - a fact of a route
    """The dependency that lets only these roles in, none of them too often; ``ANYONE`` needs no role."""

    def check(ask: Asking) -> None:
        _require_patience(ask, is_open=not who, starts_work=starts_work)
        if not who:
            return
        if ask.user is None:
            raise NotSignedIn
        if not who & ask.roles:
            raise NotAllowed

    return check


def _require_patience(ask: Ask, *, is_open: bool, starts_work: bool) -> None:
    """Guesses of passwords, links and tokens are counted per address, all else per person and address."""
    is_change = ask.request.method not in SAFE
    if (is_open and is_change) or (ask.by_token and ask.user is None):
        wait_s = ask.server.sign_ins.wait_s(ask.address)
    elif ask.user is None:
        return
    elif kind := _kind(ask, is_change=is_change, starts_work=starts_work):
        wait_s = ask.server.limits.wait_s(kind, ask.user.id, ask.address)
    else:
        return
    if wait_s:
        raise TooOften(wait_s)


def _kind(ask: Ask, *, is_change: bool, starts_work: bool) -> Kind | None:
    """What a request counts as; pages and pictures that a person looks at count as nothing."""
    if starts_work:
        return "work"
    if ask.request.url.path.startswith("/uploads"):
        return "uploads"
    if ask.by_token:
        return "scripts"
    return "changes" if is_change else None


def _identify(request: Request, server: Server, db: Session) -> Ask:
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer":
        return Ask(request, server, db, accounts.find_token(db, token.strip()), "", by_token=True)
    secret = request.cookies.get(COOKIE, "")
    visit = accounts.find_visit(db, secret)
    if visit is None:
        return Ask(request, server, db, None, secret or secrets.token_urlsafe(32), fresh=not secret)
    if visit.seen_at[:_SEEN_EVERY_CHARS] != utc()[:_SEEN_EVERY_CHARS]:
        visit.seen_at = utc()
        db.commit()
    return Ask(request, server, db, visit.user, secret)


def _require_own_form(ask: Ask, given: str) -> None:
    origin = ask.request.headers.get("origin", "")
    foreign = origin and urlsplit(origin).netloc != ask.request.headers.get("host", "")
    if foreign or ask.fresh or not hmac.compare_digest(given.encode(), ask.mark.encode()):
        raise ForeignForm
