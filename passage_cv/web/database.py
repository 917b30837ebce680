"""Open the web database, make its tables, and refuse one of another schema version."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session, sessionmaker

from passage_cv.errors import InputError
from passage_cv.web.settings import WebSettings
from passage_cv.web.tables import SCHEMA_VERSION, Base, Meta

_BUSY_MS = 30_000

Sessions = sessionmaker[Session]


def open_database(settings: WebSettings) -> Sessions:
    """Connect, make missing tables, check the schema version.

    Raises
    ------
    InputError
        If the database cannot be reached or was made by another version of the program.
    """
    settings.data.mkdir(parents=True, exist_ok=True)
    engine = _engine(settings.database_url)
    try:
        Base.metadata.create_all(engine)
        sessions = sessionmaker(engine, expire_on_commit=False)
        _require_version(sessions, engine)
    except SQLAlchemyError as error:
        where = engine.url.render_as_string(hide_password=True)
        raise InputError(f"Database cannot be opened: {error}", where=where, do="Check the address.") from error
    return sessions


def _engine(url: str) -> Engine:
    engine = create_engine(url, pool_pre_ping=True)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_up_sqlite)
    return engine


def _set_up_sqlite(connection: Any, record: object) -> None:  # noqa: ANN401 - the driver's own connection
    """Readers never wait for a writer, and a writer waits for another instead of failing."""
    del record
    for pragma in ("journal_mode = WAL", f"busy_timeout = {_BUSY_MS}", "foreign_keys = ON", "synchronous = NORMAL"):
        connection.execute(f"PRAGMA {pragma}")


def _require_version(sessions: Sessions, engine: Engine) -> None:
    with sessions.begin() as db:
        found = db.get(Meta, "schema")
        if found is None:
            db.add(Meta(key="schema", value=str(SCHEMA_VERSION)))
        elif found.value != str(SCHEMA_VERSION):
            raise InputError(
                f"Database has schema {found.value}, this program has {SCHEMA_VERSION}",
                where=engine.url.render_as_string(hide_password=True),
                do="Start the program that made it, or begin with an empty data folder.",
            )
