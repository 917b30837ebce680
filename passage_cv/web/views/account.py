"""Signing in and out, joining by invitation, tokens, people, and the record of who did what."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from fastapi import Form, Query
from fastapi.responses import Response
from sqlalchemy import select

from passage_cv.errors import InputError
from passage_cv.web import accounts
from passage_cv.web.ask import COOKIE, Ask, Asking, NotFound
from passage_cv.web.people import Role
from passage_cv.web.tables import Deed, Token, User

Text = Annotated[str, Form()]
Before = Annotated[int | None, Query(ge=1, le=2**31 - 1)]
DEEDS_SHOWN = 300


def home(ask: Asking) -> Response:
    """Send everybody to the page that they came for."""
    if ask.user is None:
        return ask.go("/sign-in")
    for role, path in ((Role.TECHNICIAN, "/batches"), (Role.RESEARCHER, "/data"), (Role.ENGINEER, "/releases")):
        if role in ask.roles:
            return ask.go(path)
    return ask.go("/people")


def sign_in_form(ask: Asking) -> Response:
    """Ask for name and password."""
    return ask.page("sign_in", failed=False)


def sign_in(ask: Asking, name: Text = "", password: Text = "") -> Response:
    """Check them; a browser gets a new secret each time somebody signs in."""
    user = accounts.check_password(ask.db, name, password)
    if user is None:
        ask.db.commit()
        return ask.page("sign_in", failed=True, status=401)
    secret = accounts.begin_visit(ask.db, user)
    ask.db.commit()
    answer = ask.go("/")
    ask.remember(answer, secret)
    return answer


def sign_out(ask: Asking) -> Response:
    """End this visit; the person's other browsers stay, and so does what they are sending."""
    accounts.end_visit(ask.db, ask.visit_secret)
    ask.did("signed out")
    return _gone(ask)


def sign_out_everywhere(ask: Asking) -> Response:
    """End this person's visits in every browser."""
    accounts.end_visits(ask.db, ask.person)
    ask.did("signed out everywhere")
    return _gone(ask)


def change_password(ask: Asking, old: Text = "", new: Text = "") -> Response:
    """Take another password; every other browser is signed out."""
    try:
        accounts.change_password(ask.db, ask.person, old, new, secret=ask.visit_secret)
    except InputError:
        ask.db.commit()  # a wrong password counts
        raise
    ask.did("changed password")
    return _account(ask, changed=True)


def join_form(ask: Asking, secret: str) -> Response:
    """Ask an invited person for a password."""
    return ask.page("join", invitation=accounts.find_invitation(ask.db, secret))


def join(ask: Asking, secret: str, name: Text = "", password: Text = "") -> Response:
    """Let the invited person in."""
    user = accounts.join(ask.db, secret, name, password)
    fresh = accounts.begin_visit(ask.db, user)
    ask.db.commit()
    answer = ask.go("/")
    ask.remember(answer, fresh)
    return answer


def account(ask: Asking) -> Response:
    """A person's own page."""
    return _account(ask)


def keep_initials(ask: Asking, initials: Text = "") -> Response:
    """Say which initials this person has on field sheets."""
    accounts.set_initials(ask.db, ask.person, initials)
    ask.did("said initials", ask.person.initials)
    return ask.go("/account")


def make_token(ask: Asking, name: Text = "") -> Response:
    """Make a token and show it once."""
    secret = accounts.make_token(ask.db, ask.person, name)
    ask.db.commit()
    return _account(ask, secret=secret)


def end_token(ask: Asking, name: Text = "") -> Response:
    """End the tokens of one name."""
    end_tokens(ask, name)
    return ask.go("/account")


def end_tokens(ask: Ask, name: str) -> None:
    """End the tokens of one name of the person who asks."""
    for token in ask.db.scalars(select(Token).where(Token.user_id == ask.person.id, Token.name == name)):
        ask.db.delete(token)
    ask.did("ended token", name)


def people(ask: Asking) -> Response:
    """Everybody who may sign in."""
    return _people(ask)


def invite(ask: Asking, name: Text = "", role: Annotated[list[Role] | None, Form()] = None) -> Response:
    """Make a link with which a person chooses a password; also for a forgotten one."""
    secret = accounts.invite(ask.db, name.strip() or "-", role or [])
    ask.did("invited", f"{name.strip()}: {', '.join(role or [])}")
    return _people(ask, link=f"{ask.request.base_url}join/{secret}", invited=name.strip())


def switch(ask: Asking, user_id: int, active: Annotated[bool, Form()]) -> Response:
    """Switch a person off, everywhere and at once, or on again."""
    user = ask.db.get(User, user_id)
    if user is None or user.id == ask.person.id:
        raise NotFound
    accounts.switch(ask.db, user, active=active)
    ask.did("switched on" if active else "switched off", user.name)
    return ask.go("/people")


def deeds(ask: Asking, before: Before = None) -> Response:
    """Who did what, newest first, older ones page by page."""
    found = deeds_before(ask, before)
    older = found[-1].id if len(found) == DEEDS_SHOWN else 0
    return ask.page("deeds", deeds=found, before=before, older=older)


def deeds_before(ask: Ask, before: int | None) -> Sequence[Deed]:
    """The newest deeds, or the newest of those older than one."""
    found = select(Deed).order_by(Deed.id.desc()).limit(DEEDS_SHOWN)
    return ask.db.scalars(found.where(Deed.id < before) if before else found).all()


def _gone(ask: Ask) -> Response:
    answer = ask.go("/sign-in")
    answer.delete_cookie(COOKIE)
    return answer


def _account(ask: Asking, secret: str = "", *, changed: bool = False) -> Response:
    tokens = ask.db.scalars(select(Token).where(Token.user_id == ask.person.id).order_by(Token.created_at))
    return ask.page("account", tokens=tokens.all(), secret=secret, changed=changed)


def _people(ask: Asking, link: str = "", invited: str = "") -> Response:
    users = ask.db.scalars(select(User).order_by(User.name))
    return ask.page("people", people=users.all(), all_roles=list(Role), link=link, invited=invited)
