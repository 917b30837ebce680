"""People, passwords, signed-in browsers, tokens for scripts, and the record of who did what.

Secrets are kept as hashes only: passwords with Argon2id, long random secrets with SHA-256. Nothing here knows HTTP.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable
from datetime import timedelta

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from passage_cv.errors import InputError
from passage_cv.files import sha256_bytes
from passage_cv.web.people import Role
from passage_cv.web.tables import Deed, Invitation, Token, User, Visit, utc

LEAST_PASSWORD = 10
LONGEST_PASSWORD = 200
LONGEST_INITIALS = 12
INVITED_FOR = timedelta(days=3)
IDLE_FOR = timedelta(hours=10)
"""A working day in the field; a browser left alone longer has to sign in again."""
SIGNED_IN_FOR = timedelta(days=7)
TOKEN_FOR = timedelta(days=180)
FREE_FAILURES = 5
LONGEST_LOCK = timedelta(minutes=15)
TOKEN_MARK = "pcv_"  # noqa: S105 - the beginning of every token, so that one is recognised where it leaks

_hasher = PasswordHasher()
_NOBODY = _hasher.hash(secrets.token_hex(16))
"""Checked where no such person exists, so that the answer takes as long."""


def record(db: Session, who: str, did: str, what: str = "") -> None:
    """Write down who did what; kept with the caller's next commit."""
    db.add(Deed(who=who, did=did, what=what))


def invite(db: Session, name: str, roles: Iterable[Role]) -> str:
    """A one-time secret with which ``name`` chooses a password; earlier ones for that name end.

    Raises
    ------
    InputError
        If no role is given, or the name cannot be used.
    """
    wanted = sorted(Role(role).value for role in roles)
    if not wanted:
        raise InputError("A person needs a role", where=name, do="Choose at least one.")
    if name:
        _require_name(name)
    db.execute(delete(Invitation).where(Invitation.name == name))
    secret = secrets.token_urlsafe(32)
    db.add(Invitation(sha256=_hash(secret), name=name, roles=wanted, ends_at=utc(INVITED_FOR)))
    return secret


def invite_first(db: Session) -> str:
    """The secret for the first administrator, or empty where somebody has joined already."""
    if db.scalar(select(func.count()).select_from(User)):
        return ""
    return invite(db, "", [Role.ADMINISTRATOR])


def find_invitation(db: Session, secret: str) -> Invitation:
    """The invitation of a secret.

    Raises
    ------
    InputError
        If there is none, it was used, or it has ended.
    """
    found = db.get(Invitation, _hash(secret))
    if found is None or found.ends_at < utc():
        raise InputError("This link was used or has ended", do="Ask an administrator for a new one.")
    return found


def join(db: Session, secret: str, name: str, password: str) -> User:
    """Use an invitation: make the person, or give an existing one a new password and roles.

    What was made with the old password, visits and tokens, ends.

    Raises
    ------
    InputError
        If the link does not hold, or name or password cannot be used.
    """
    invitation = find_invitation(db, secret)
    wanted = (invitation.name or name).strip()
    _require_name(wanted)
    _require_password(password, wanted)
    user = db.scalar(select(User).where(User.name == wanted))
    if user is not None and not invitation.name:
        raise InputError("Somebody has this name", where=wanted, do="Choose another.")
    user = user or User(name=wanted)
    user.password_hash, user.roles, user.active = _hasher.hash(password), invitation.roles, True
    user.failures, user.locked_until = 0, ""
    db.add(user)
    db.delete(invitation)
    db.flush()
    end_visits(db, user)
    _end_tokens(db, user)
    record(db, wanted, "joined", ", ".join(user.roles))
    return user


def check_password(db: Session, name: str, password: str) -> User | None:
    """The person, or None; after five wrong passwords the account is locked, longer each time."""
    user = db.scalar(select(User).where(User.name == name.strip()))
    locked = user is not None and user.locked_until > utc()
    known = user.password_hash if user else _NOBODY
    try:
        right = _hasher.verify(known, password[:LONGEST_PASSWORD]) and user is not None
    except VerificationError:
        right = False
    if user is None or locked or not user.active:
        return None
    if not right:
        _count_failure(db, user)
        return None
    user.failures, user.locked_until = 0, ""
    return user


def begin_visit(db: Session, user: User) -> str:
    """A fresh secret for the browser's cookie; a secret from before signing in is never taken over."""
    secret = secrets.token_urlsafe(32)
    db.add(Visit(sha256=_hash(secret), user_id=user.id))
    record(db, user.name, "signed in")
    return secret


def find_visit(db: Session, secret: str) -> Visit | None:
    """The signed-in browser of a cookie, while it is in use."""
    found = db.get(Visit, _hash(secret)) if secret else None
    if found is None or not found.user.active:
        return None
    if found.seen_at < utc(-IDLE_FOR) or found.created_at < utc(-SIGNED_IN_FOR):
        return None
    return found


def end_visit(db: Session, secret: str) -> None:
    """Sign one browser out."""
    db.execute(delete(Visit).where(Visit.sha256 == _hash(secret)))


def change_password(db: Session, user: User, old: str, new: str, *, secret: str) -> None:
    """Give a person who knows the old password a new one; only the browser of ``secret`` stays signed in.

    Other visits and all tokens, made under the old password, end.

    Raises
    ------
    InputError
        If the old password is wrong, which counts as one at signing in does, or the new one cannot be used.
    """
    if check_password(db, user.name, old) is None:
        raise InputError("The old password is wrong", do="Type it again, or ask an administrator for a new link.")
    _require_password(new, user.name)
    user.password_hash = _hasher.hash(new)
    db.execute(delete(Visit).where(Visit.user_id == user.id, Visit.sha256 != _hash(secret)))
    _end_tokens(db, user)


def end_visits(db: Session, user: User) -> None:
    """Sign a person out everywhere."""
    db.execute(delete(Visit).where(Visit.user_id == user.id))


def switch(db: Session, user: User, *, active: bool) -> None:
    """Switch a person off, in every browser and script at once, or on again; tokens from before stay ended."""
    user.active, user.failures, user.locked_until = active, 0, ""
    end_visits(db, user)
    _end_tokens(db, user)


def _end_tokens(db: Session, user: User) -> None:
    db.execute(delete(Token).where(Token.user_id == user.id))


def set_initials(db: Session, user: User, initials: str) -> None:
    """The initials of a person on field sheets, by which a second reader is kept from his or her own fish.

    Raises
    ------
    InputError
        If they are too long, unprintable, or somebody else's.
    """
    wanted = initials.strip()
    if len(wanted) > LONGEST_INITIALS or not wanted.isprintable():
        raise InputError(f"Initials have {len(wanted)} characters", do=f"Give at most {LONGEST_INITIALS}.")
    others = select(User.id).where(User.initials == wanted, User.id != user.id)
    if wanted and db.scalar(others.limit(1)) is not None:
        raise InputError("Somebody else has these initials", where=wanted, do="Add a letter.")
    user.initials = wanted


def make_token(db: Session, user: User, name: str) -> str:
    """A secret for a script that acts as this person; shown once.

    Raises
    ------
    InputError
        If it gets no name.
    """
    if not name.strip():
        raise InputError("A token needs a name", do="Say which script it is for.")
    secret = TOKEN_MARK + secrets.token_urlsafe(32)
    db.add(Token(sha256=_hash(secret), user_id=user.id, name=name.strip()[:80], ends_at=utc(TOKEN_FOR)))
    record(db, user.name, "made token", name.strip())
    return secret


def find_token(db: Session, secret: str) -> User | None:
    """Whose token this is, while it holds."""
    found = db.get(Token, _hash(secret)) if secret.startswith(TOKEN_MARK) else None
    return found.user if found and found.ends_at > utc() and found.user.active else None


def roles_of(user: User | None) -> frozenset[Role]:
    """A person's roles; none for nobody."""
    return frozenset(Role(role) for role in user.roles) if user else frozenset()


def form_mark(server_secret: str, visit_secret: str) -> str:
    """What a form must send back to show that this server made it for this browser (CSRF)."""
    return hmac.new(server_secret.encode(), visit_secret.encode(), "sha256").hexdigest()


def _count_failure(db: Session, user: User) -> None:
    user.failures += 1
    over = user.failures - FREE_FAILURES
    if over >= 0:
        user.locked_until = utc(min(timedelta(minutes=2**over), LONGEST_LOCK))
        record(db, user.name, "locked", f"{user.failures} wrong passwords")


def _require_name(name: str) -> None:
    if not 2 <= len(name) <= 40 or not name.isprintable():
        raise InputError(f"Name has {len(name)} characters, allowed 2 to 40", do="Choose another name.")


def _require_password(password: str, name: str) -> None:
    if not LEAST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise InputError(
            f"Password has {len(password)} characters, allowed {LEAST_PASSWORD} to {LONGEST_PASSWORD}",
            do="Take a few words that you remember.",
        )
    if name.lower() in password.lower() or len(set(password)) < 4:
        raise InputError("Password is easy to guess", do="Take a few words that you remember, without your name.")


def _hash(secret: str) -> str:
    return sha256_bytes(secret.encode())
