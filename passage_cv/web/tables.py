"""What the web application keeps in its database: people, uploads in progress, jobs, and who did what.

The data set itself is never here: it is plain files (``dataset``). Times are UTC text that sorts as it reads.
"""

from __future__ import annotations

import secrets
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import JSON, BigInteger, ForeignKey, Index, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

SCHEMA_VERSION = 4
"""Raised with every change of a table; a database of another version is refused at start."""


def utc(after: timedelta = timedelta()) -> str:
    """Now, or a while after it, as text that sorts: ``2031-05-11T20:00:00.000+00:00``."""
    return (datetime.now(UTC) + after).isoformat(timespec="milliseconds")


def new_id() -> str:
    """A name that nobody can guess and everybody can read out: 12 hex digits."""
    return secrets.token_hex(6)


class Base(DeclarativeBase):
    """Base of all tables."""

    type_annotation_map = {dict[str, Any]: JSON, list[str]: JSON, list[dict[str, str]]: JSON}  # noqa: RUF012 - read once by SQLAlchemy


class Meta(Base):
    """Single facts about the database, among them its schema version."""

    __tablename__ = "meta"
    key: Mapped[str] = mapped_column(String(40), primary_key=True)
    value: Mapped[str] = mapped_column(Text)


class User(Base):
    """A person; ``roles`` is a list of role names, ``initials`` are those of the field sheets.

    People are switched off, never deleted.
    """

    __tablename__ = "users"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    password_hash: Mapped[str] = mapped_column(Text)
    roles: Mapped[list[str]]
    initials: Mapped[str] = mapped_column(String(12), default="")
    active: Mapped[bool] = mapped_column(default=True)
    failures: Mapped[int] = mapped_column(default=0)
    locked_until: Mapped[str] = mapped_column(String(40), default="")
    created_at: Mapped[str] = mapped_column(String(40), default=utc)


class Visit(Base):
    """A signed-in browser; only the hash of its cookie is kept."""

    __tablename__ = "visits"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    created_at: Mapped[str] = mapped_column(String(40), default=utc)
    seen_at: Mapped[str] = mapped_column(String(40), default=utc)
    user: Mapped[User] = relationship()


class Token(Base):
    """A secret for scripts; it acts as its owner until it ends."""

    __tablename__ = "tokens"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    name: Mapped[str] = mapped_column(String(80))
    ends_at: Mapped[str] = mapped_column(String(40))
    created_at: Mapped[str] = mapped_column(String(40), default=utc)
    user: Mapped[User] = relationship()


class Invitation(Base):
    """A one-time link to choose a password; ``name`` is empty for the first administrator."""

    __tablename__ = "invitations"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str] = mapped_column(String(80))
    roles: Mapped[list[str]]
    ends_at: Mapped[str] = mapped_column(String(40))


class Deed(Base):
    """Who did what, when; never changed."""

    __tablename__ = "deeds"
    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[str] = mapped_column(String(40), default=utc)
    who: Mapped[str] = mapped_column(String(80))
    did: Mapped[str] = mapped_column(String(80))
    what: Mapped[str] = mapped_column(Text, default="")


class Batch(Base):
    """One upload of a technician on its way into the data set; ``sheet`` says how the last check read its sheet."""

    __tablename__ = "batches"
    __table_args__ = (Index("batches_newest", "created_at"),)
    id: Mapped[str] = mapped_column(String(12), primary_key=True, default=new_id)
    owner_id: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)
    name: Mapped[str] = mapped_column(String(80))
    facts: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(20), default="open")
    summary: Mapped[dict[str, Any]] = mapped_column(default=dict)
    sheet: Mapped[dict[str, Any]] = mapped_column(default=dict)
    receipt: Mapped[dict[str, Any]] = mapped_column(default=dict)
    created_at: Mapped[str] = mapped_column(String(40), default=utc)
    owner: Mapped[User] = relationship()

    @property
    def has_new_headings(self) -> bool:
        """Whether the sheet has headings that nobody has said the columns of: until then little of it is read."""
        return bool(self.sheet.get("proposals")) and not self.sheet.get("layout")


class Upload(Base):
    """One file on its way; how much has arrived is the size of its part file, and stands nowhere else."""

    __tablename__ = "uploads"
    __table_args__ = (Index("uploads_named", "batch_id", "name"),)
    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=lambda: secrets.token_hex(16))
    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.id"))
    name: Mapped[str] = mapped_column(Text)
    length: Mapped[int] = mapped_column(BigInteger)
    sha256: Mapped[str] = mapped_column(String(64), default="")
    done_at: Mapped[str] = mapped_column(String(40), default="")
    batch: Mapped[Batch] = relationship()


class Found(Base):
    """One finding of the last check, in the order in which people see them; replaced by the next check.

    ``has_change`` says whether it proposes a change of one cell that can be accepted as it is, ``line`` the row that
    it is about (0 for none), ``stands`` whether somebody let it stand before the check.
    """

    __tablename__ = "found"
    __table_args__ = (
        Index("found_left", "batch_id", "severity", "stands", "line", "number"),
        Index("found_kinds", "batch_id", "kind", "severity", "has_change", "number"),
    )
    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.id"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(80))
    severity: Mapped[str] = mapped_column(String(12))
    has_change: Mapped[bool]
    line: Mapped[int]
    stands: Mapped[bool]
    values: Mapped[dict[str, Any]]


class FoundImage(Base):
    """A picture that a finding is about: a decision about a picture finds its findings without reading them all."""

    __tablename__ = "found_images"
    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.id"), primary_key=True)
    image: Mapped[str] = mapped_column(Text, primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)


class SheetLine(Base):
    """One row of a batch's sheet as the last check read it, before any correction; replaced by the next check."""

    __tablename__ = "sheet_lines"
    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.id"), primary_key=True)
    row: Mapped[int] = mapped_column(primary_key=True)
    cells: Mapped[dict[str, Any]]


class Decision(Base):
    """What a person decided about a finding: leave a picture out, correct a cell, let it stand, or note something.

    ``column`` names the cell that is corrected, or the kind of finding that is let stand; ``was`` is the cell as
    received. Decisions that one press made share ``press``.
    """

    __tablename__ = "decisions"
    id: Mapped[int] = mapped_column(primary_key=True)
    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.id"), index=True)
    kind: Mapped[str] = mapped_column(String(12))
    image: Mapped[str] = mapped_column(Text, default="")
    row: Mapped[int] = mapped_column(default=0)
    column: Mapped[str] = mapped_column(String(80), default="")
    was: Mapped[str] = mapped_column(Text, default="")
    value: Mapped[str] = mapped_column(Text, default="")
    why: Mapped[str] = mapped_column(Text, default="")
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[str] = mapped_column(String(40), default=utc)
    undone_at: Mapped[str] = mapped_column(String(40), default="")
    press: Mapped[str] = mapped_column(String(12), default="")


class Keying(Base):
    """What was keyed from a picture of a paper sheet, by one reader and perhaps by a second.

    ``state`` is empty, ``asked`` (for a second reader), ``keyed`` (both differ) or ``settled``.
    """

    __tablename__ = "keyings"
    id: Mapped[int] = mapped_column(primary_key=True)
    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.id"), index=True)
    image: Mapped[str] = mapped_column(Text)
    first_by: Mapped[str] = mapped_column(String(80))
    first: Mapped[list[dict[str, str]]] = mapped_column(default=list)
    second_by: Mapped[str] = mapped_column(String(80), default="")
    second: Mapped[list[dict[str, str]]] = mapped_column(default=list)
    state: Mapped[str] = mapped_column(String(12), default="")
    batch: Mapped[Batch] = relationship()


class Job(Base):
    """Work in the background; a worker holds it while its lease lasts, and another takes it over afterwards."""

    __tablename__ = "jobs"
    __table_args__ = (Index("jobs_waiting", "state", "lane", "created_at"),)
    id: Mapped[str] = mapped_column(String(12), primary_key=True, default=new_id)
    kind: Mapped[str] = mapped_column(String(20))
    lane: Mapped[str] = mapped_column(String(10))
    subject: Mapped[str] = mapped_column(String(80), index=True)
    given: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(12), default="waiting")
    label: Mapped[str] = mapped_column(Text, default="")
    done: Mapped[int] = mapped_column(default=0)
    total: Mapped[int] = mapped_column(default=0)
    starts: Mapped[int] = mapped_column(default=0)
    lease_until: Mapped[str] = mapped_column(String(40), default="")
    refusal: Mapped[dict[str, Any]] = mapped_column(default=dict)
    result: Mapped[dict[str, Any]] = mapped_column(default=dict)
    who: Mapped[str] = mapped_column(String(80))
    created_at: Mapped[str] = mapped_column(String(40), default=utc)
    started_at: Mapped[str] = mapped_column(String(40), default="")
    ended_at: Mapped[str] = mapped_column(String(40), default="")


class Made(Base):
    """Something a job made: a run, scores, cutoffs, a report or a package, below the data folder."""

    __tablename__ = "made"
    id: Mapped[str] = mapped_column(String(12), primary_key=True, default=new_id)
    kind: Mapped[str] = mapped_column(String(12), index=True)
    title: Mapped[str] = mapped_column(Text)
    path: Mapped[str] = mapped_column(Text)
    sources: Mapped[dict[str, Any]]
    facts: Mapped[dict[str, Any]]
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[str] = mapped_column(String(40), default=utc)


class Release(Base):
    """Cutoffs that a researcher proposes for a gate and another person, an engineer, accepts or returns."""

    __tablename__ = "releases"
    id: Mapped[str] = mapped_column(String(12), primary_key=True, default=new_id)
    cutoffs_id: Mapped[str] = mapped_column(ForeignKey("made.id"))
    package_id: Mapped[str] = mapped_column(String(12), default="")
    state: Mapped[str] = mapped_column(String(12), default="proposed")
    proposed_by_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    proposed_at: Mapped[str] = mapped_column(String(40), default=utc)
    reason: Mapped[str] = mapped_column(Text)
    decided_by_id: Mapped[int | None] = mapped_column(ForeignKey("users.id"))
    decided_at: Mapped[str] = mapped_column(String(40), default="")
    answer: Mapped[str] = mapped_column(Text, default="")
    cutoffs: Mapped[Made] = relationship()
    proposed_by: Mapped[User] = relationship(foreign_keys=[proposed_by_id])
    decided_by: Mapped[User | None] = relationship(foreign_keys=[decided_by_id])


class Service(Base):
    """Which package was put into service at a site, and when; the newest line of a site is what it runs."""

    __tablename__ = "service"
    id: Mapped[int] = mapped_column(primary_key=True)
    site: Mapped[str] = mapped_column(String(80), index=True)
    release_id: Mapped[str] = mapped_column(ForeignKey("releases.id"))
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[str] = mapped_column(String(40), default=utc)
    reason: Mapped[str] = mapped_column(Text)
    release: Mapped[Release] = relationship()
