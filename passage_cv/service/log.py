"""The gate log (format 7): one line per presentation, on disk before anybody acts, never changed afterwards.

SQLite, so that it can be read while the gate runs; every line is flushed to the disk before ``append``
returns. Confirmations of the gate's position come later and are lines of their own. Enough is kept to make a
batch folder of it again.
"""

from __future__ import annotations

import csv
import io
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.service.log_lines import (
    COLUMNS,
    LOG_FORMAT,
    SCHEMA,
    TABLES,
    UPGRADES,
    LogLine,
    csv_cell,
    read_value,
    stored_value,
)

_ID_CHUNK = 500
WAIT_S = 1.0
"""How long a writer waits for another one: shorter than a fish needs to the gate."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to the gate itself; ``line`` numbers events in the order in which they were written."""

    line: int
    time: str
    kind: str
    detail: str
    by: str


@dataclass(frozen=True, slots=True)
class Finding:
    """What a person found one presentation to be, and who said so."""

    label: str
    by: str


class GateLog:
    """An open gate log; made if it is not there. Use it in a ``with`` block or call :meth:`close`.

    Raises
    ------
    InputError
        If the file cannot be opened or written, is no gate log, or has a later format.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
            self._write_ahead()
            self._connection.execute("PRAGMA synchronous = FULL")
            self._connection.execute("PRAGMA foreign_keys = ON")
            self._require_format()
        except (sqlite3.Error, OSError) as error:
            raise self._refusal("opened", error) from error

    @classmethod
    def open_existing(cls, path: Path) -> Self:
        """Open a log that must be there.

        Raises
        ------
        InputError
            If it is missing, or as on opening.
        """
        if not path.is_file():
            raise InputError("Gate log is missing", where=str(path), do="Check the path.")
        return cls(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; further calls fail."""
        self._connection.close()

    def append(self, line: LogLine) -> None:
        """Write one line and return once it is on the disk.

        Raises
        ------
        InputError
            If it cannot be written, or the presentation has a line already. The caller must not act then.
        """
        values = [stored_value(name, getattr(line, name)) for name in COLUMNS]
        names = ", ".join(f'"{name}"' for name in COLUMNS)
        marks = ", ".join("?" * len(COLUMNS))
        try:
            self._connection.execute(f"INSERT INTO presentations ({names}) VALUES ({marks})", values)  # noqa: S608
        except sqlite3.Error as error:
            raise self._refusal(f"written (presentation {line.presentation_id})", error) from error

    def confirm(self, presentation_id: str, *, time: str, confirmed: str) -> None:
        """Add the position that the controller read back for one presentation, once.

        Raises
        ------
        InputError
            If it cannot be written, the presentation has no line, or has a confirmation already.
        """
        statement = "INSERT INTO confirmations (presentation_id, time, confirmed) VALUES (?, ?, ?)"
        try:
            self._connection.execute(statement, (presentation_id, time, confirmed))
        except sqlite3.Error as error:
            raise self._refusal(f"confirmed (presentation {presentation_id})", error) from error

    def add_audit(self, presentation_id: str, *, time: str, label: str, by: str) -> None:
        """Add what a person found one presentation to be, once.

        Raises
        ------
        InputError
            If it cannot be written, the presentation has no line, or has been audited already.
        """
        statement = "INSERT INTO audits (presentation_id, time, class, by) VALUES (?, ?, ?, ?)"
        try:
            self._connection.execute(statement, (presentation_id, time, label, by))
        except sqlite3.Error as error:
            raise self._refusal(f"given an audit (presentation {presentation_id})", error) from error

    def audited(self) -> dict[str, str]:
        """The class that a person found, by presentation."""
        return dict(self._connection.execute("SELECT presentation_id, class FROM audits ORDER BY line"))

    def findings(self) -> dict[str, Finding]:
        """What a person found, by presentation, with who said so."""
        rows = self._connection.execute("SELECT presentation_id, class, by FROM audits ORDER BY line")
        return {name: Finding(label, by) for name, label, by in rows}

    def add_event(self, *, time: str, kind: str, detail: str, by: str = "") -> None:
        """Add something that happened to the gate itself: a fault, a reset, a bypass with its reason.

        Raises
        ------
        InputError
            If it cannot be written.
        """
        statement = "INSERT INTO events (time, kind, detail, by) VALUES (?, ?, ?, ?)"
        try:
            self._connection.execute(statement, (time, kind, detail, by))
        except sqlite3.Error as error:
            raise self._refusal("given an event", error) from error

    def add_measure(self, presentation_id: str, name: str, value: float) -> None:
        """Add a figure that charts need and a line does not say.

        Raises
        ------
        InputError
            If it cannot be written, the presentation has no line, or has that measure already.
        """
        statement = "INSERT INTO measures (presentation_id, name, value) VALUES (?, ?, ?)"
        try:
            self._connection.execute(statement, (presentation_id, name, value))
        except sqlite3.Error as error:
            raise self._refusal(f"given a measure (presentation {presentation_id})", error) from error

    def measures(self, name: str) -> dict[str, float]:
        """One measure of every presentation that has it."""
        query = "SELECT presentation_id, value FROM measures WHERE name = ? ORDER BY line"
        return dict(self._connection.execute(query, (name,)))

    def events_since(self, line: int = 0) -> tuple[Event, ...]:
        """Events after one, in order; all of them after 0. Those of other processes too.

        Raises
        ------
        InputError
            If the log cannot be read.
        """
        query = "SELECT line, time, kind, detail, by FROM events WHERE line > ? ORDER BY line"
        try:
            return tuple(Event(*row) for row in self._connection.execute(query, (line,)))
        except sqlite3.Error as error:
            raise self._refusal("read", error) from error

    def count_audits(self) -> int:
        """How many presentations a person has named.

        Raises
        ------
        InputError
            If the log cannot be read.
        """
        try:
            return int(self._connection.execute("SELECT count(*) FROM audits").fetchone()[0])
        except sqlite3.Error as error:
            raise self._refusal("read", error) from error

    def events(self) -> tuple[tuple[str, str, str, str], ...]:
        """(time, kind, detail, by) of every event, in order."""
        return tuple(self._connection.execute("SELECT time, kind, detail, by FROM events ORDER BY line"))

    def count(self) -> int:
        """How many presentations the log holds."""
        return int(self._connection.execute("SELECT count(*) FROM presentations").fetchone()[0])

    def last_number(self, prefix: str) -> int:
        """The largest number that follows a prefix in the ids of presentations, 0 where there is none."""
        asked = "SELECT MAX(CAST(SUBSTR(presentation_id, ?) AS INTEGER)) FROM presentations"
        own = " WHERE SUBSTR(presentation_id, 1, ?) = ?"
        try:
            (found,) = self._connection.execute(asked + own, (len(prefix) + 1, len(prefix), prefix)).fetchone()
        except sqlite3.Error as error:
            raise self._refusal("read", error) from error
        return int(found or 0)

    def lines(self, *, audited: bool = False) -> Iterator[LogLine]:
        """Every line in the order in which it was written, with its later confirmation; or those audited alone."""
        names = ", ".join(f'p."{name}"' for name in COLUMNS if name != "confirmed")
        query = (
            f"SELECT {names}, COALESCE(c.confirmed, p.confirmed) FROM presentations p "  # noqa: S608
            "LEFT JOIN confirmations c USING (presentation_id) "
            f"{'WHERE p.presentation_id IN (SELECT presentation_id FROM audits) ' if audited else ''}ORDER BY p.line"
        )
        order = [*(name for name in COLUMNS if name != "confirmed"), "confirmed"]
        with closing(self._connection.execute(query)) as rows:
            for row in rows:
                yield LogLine(**{name: read_value(name, value) for name, value in zip(order, row, strict=True)})

    def known(self, presentation_ids: Iterable[str]) -> tuple[str, ...]:
        """Those of the presentations that have a line already, in the order given."""
        wanted = list(presentation_ids)
        found: set[str] = set()
        for start in range(0, len(wanted), _ID_CHUNK):
            part = wanted[start : start + _ID_CHUNK]
            marks = ", ".join("?" * len(part))
            query = f"SELECT presentation_id FROM presentations WHERE presentation_id IN ({marks})"  # noqa: S608
            found |= {row[0] for row in self._connection.execute(query, part)}
        return tuple(name for name in wanted if name in found)

    def export_csv(self, path: Path) -> str:
        """Write every line as CSV with the columns of format 7 and return the file's SHA-256."""
        stream = io.StringIO()
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow(COLUMNS)
        for line in self.lines():
            writer.writerow([csv_cell(getattr(line, name)) for name in COLUMNS])
        return write_text(path, stream.getvalue())

    def _write_ahead(self) -> None:
        """Let others read while we write; SQLite itself does not wait for another process that asks the same."""
        until = time.monotonic() + WAIT_S
        while True:
            try:
                self._connection.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > until:
                    raise
                time.sleep(0.01)
            else:
                return

    def _require_format(self) -> None:
        found, names = self._identity()
        if found == 0 and not names:
            found, names = self._change_tables(SCHEMA)
        elif found in UPGRADES and names >= TABLES - {"measures"}:
            found, names = self._change_tables(UPGRADES[found])
        if found != LOG_FORMAT or not names >= TABLES:
            raise InputError(
                f"File is no gate log of format {LOG_FORMAT}, found {found} with tables {sorted(names)}",
                where=str(self.path),
                do="Give a gate log or a new file.",
            )

    def _change_tables(self, script: str) -> tuple[int, set[str]]:
        """Run one transaction, unless another process that opens the same file was quicker."""
        try:
            self._connection.executescript(script)
        except sqlite3.OperationalError as error:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            if "already exists" not in str(error):
                raise
        return self._identity()

    def _identity(self) -> tuple[int, set[str]]:
        """Format number and names of the tables, both of one moment: another process may be writing them."""
        self._connection.execute("BEGIN")
        try:
            found = int(self._connection.execute("PRAGMA user_version").fetchone()[0])
            rows = self._connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            return found, {row[0] for row in rows}
        finally:
            self._connection.execute("COMMIT")

    def _refusal(self, what: str, error: Exception) -> InputError:
        return InputError(
            f"Gate log cannot be {what}: {error}", where=str(self.path), do="Hold until the log can be written again."
        )


__all__ = ["Event", "Finding", "GateLog", "LogLine"]
