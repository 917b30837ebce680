"""One's own account, people and the record of who did what, as JSON.

Passwords are for people alone: nobody signs in here. No token makes another one, so that none outlives its end.
"""

from __future__ import annotations

from sqlalchemy import select

from passage_cv.web import accounts
from passage_cv.web.ask import Asking, NotFound
from passage_cv.web.tables import Token, User
from passage_cv.web.views.account import Before, deeds_before, end_tokens
from passage_cv.web.views.api_records import (
    DeedLine,
    Initials,
    Invited,
    Me,
    NewPerson,
    Number,
    Person,
    Switch,
    TokenName,
    TokenState,
)


def me(ask: Asking) -> Me:
    """Who asks."""
    return Me(name=ask.person.name, roles=sorted(ask.roles), initials=ask.person.initials)


def keep_initials(ask: Asking, new: Initials) -> Me:
    """Say which initials this person has on field sheets."""
    accounts.set_initials(ask.db, ask.person, new.initials)
    ask.did("said initials", ask.person.initials)
    return me(ask)


def tokens(ask: Asking) -> list[TokenState]:
    """One's own tokens, oldest first; never their secrets."""
    found = ask.db.scalars(select(Token).where(Token.user_id == ask.person.id).order_by(Token.created_at))
    return [TokenState(name=one.name, created_at=one.created_at, ends_at=one.ends_at) for one in found]


def end_token(ask: Asking, which: TokenName) -> list[TokenState]:
    """End one's own tokens of one name, also the one that asks; those that are left."""
    end_tokens(ask, which.name)
    return tokens(ask)


def people(ask: Asking) -> list[Person]:
    """Everybody who may sign in or was switched off, by name."""
    return [_person(one) for one in ask.db.scalars(select(User).order_by(User.name))]


def invite(ask: Asking, new: NewPerson) -> Invited:
    """Make a link with which a person chooses a password; also for a forgotten one, or for other roles."""
    name = new.name.strip() or "-"
    secret = accounts.invite(ask.db, name, new.roles)
    ask.did("invited", f"{name}: {', '.join(new.roles)}")
    return Invited(link=f"{ask.request.base_url}join/{secret}")


def switch(ask: Asking, user_id: Number, new: Switch) -> Person:
    """Switch a person off, everywhere and at once, or on again; nobody does so to himself or herself."""
    user = ask.db.get(User, user_id)
    if user is None or user.id == ask.person.id:
        raise NotFound
    accounts.switch(ask.db, user, active=new.active)
    ask.did("switched on" if new.active else "switched off", user.name)
    return _person(user)


def deeds(ask: Asking, before: Before = None) -> list[DeedLine]:
    """Who did what, newest first, 300 at a time; ``before`` is the id of the last one of the answer before."""
    found = deeds_before(ask, before)
    return [DeedLine(id=one.id, at=one.at, who=one.who, did=one.did, what=one.what) for one in found]


def _person(one: User) -> Person:
    return Person(id=one.id, name=one.name, roles=list(one.roles), active=one.active, locked_until=one.locked_until)
