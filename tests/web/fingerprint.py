"""What a server holds, row by row and file by file: so that a test can say that an attack changed nothing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import select

from passage_cv.files import sha256_file
from passage_cv.web.tables import Base
from tests.web.conftest import Office

NOT_KEPT = {"visits": {"seen_at"}}
"""Columns that only say when somebody was last here."""


def fingerprint(office: Office) -> dict[str, str]:
    """Every row by table and key, and every file in and around the data folder by its hash."""
    found: dict[str, str] = {}
    with office.server.sessions() as db:
        for table in Base.metadata.sorted_tables:
            for row in db.execute(select(table)).mappings():
                key = " ".join(str(row[column.name]) for column in table.primary_key)
                kept = {name: row[name] for name in row if name not in NOT_KEPT.get(table.name, set())}
                found[f"{table.name} {key}"] = repr(kept)
    data = office.settings.data
    for path in data.parent.rglob("*"):
        if path.is_file() and not path.name.startswith("web.sqlite"):
            found[f"file {path.relative_to(data.parent).as_posix()}"] = sha256_file(path)
    return found


def changes(before: dict[str, str], after: dict[str, str]) -> set[str]:
    """Names of rows and files that came, went or changed."""
    return {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}


@contextmanager
def nothing_changes(office: Office, *, but: tuple[str, ...] = ()) -> Iterator[None]:
    """Fail where the block changes a row or a file; ``but`` are beginnings of names that may change."""
    before = fingerprint(office)
    yield
    found = {name for name in changes(before, fingerprint(office)) if not name.startswith(but)}
    assert not found, sorted(found)
