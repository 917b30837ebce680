"""The gate log (format 7): one line per presentation, on disk before anybody acts, never changed afterwards.

SQLite, so that it can be read while the gate runs; every line is flushed to the disk before ``append``
returns. Confirmations of the gate's position come later and are lines of their own. Enough is kept to make a
batch folder of it again.
"""

from __future__ import annotations

import csv
import io
import json
import math
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, fields
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.records import Action

LOG_FORMAT = 1
TABLES = {"presentations", "confirmations", "audits", "events"}
_ID_CHUNK = 500


@dataclass(frozen=True, slots=True)
class LogLine:
    """One presentation as decided (format 7); unknown text is ``""``, unknown numbers are None.

    ``logits`` maps each class to one value per view. ``live`` is false where nothing was commanded (replay,
    shadow). ``commanded`` is the position asked for, ``confirmed`` what the controller read back, if known when
    the line was written. ``audit`` says that the draw picked this presentation for a person to look at.
    """

    presentation_id: str
    time: str
    site: str
    event: str
    setup_id: str
    camera: str
    package_id: str
    policy_sha256: str
    image_sha256s: tuple[str, ...]
    image_paths: tuple[str, ...]
    logits: Mapping[str, tuple[float, ...]]
    score: float | None
    action: Action
    reason: str
    hold_reason: str
    latency_ms: float
    individual: str = ""
    unfamiliarity: float | None = None
    attended: bool | None = None
    live: bool = False
    commanded: str = ""
    confirmed: str = ""
    light: str = ""
    turbidity_NTU: float | None = None
    waterTemperature_C: float | None = None
    air_s: float | None = None
    tank_min: float | None = None
    audit: bool = False


COLUMNS = (
    "presentation_id", "time", "site", "event", "setup_id", "camera", "package_id", "policy_sha256", "image_sha256s",
    "image_paths", "individual", "logits", "score", "unfamiliarity", "action", "reason", "hold_reason", "attended",
    "live", "commanded", "confirmed", "latency_ms", "light", "turbidity_NTU", "waterTemperature_C", "air_s",
    "tank_min", "audit",
)  # fmt: skip
"""The columns in the order of format 7."""
assert set(COLUMNS) == {field.name for field in fields(LogLine)}

_NUMBERS = {"score", "unfamiliarity", "latency_ms", "turbidity_NTU", "waterTemperature_C", "air_s", "tank_min"}
_FLAGS = {"attended", "live", "audit"}
_LISTS = {"image_sha256s", "image_paths"}


def _column(name: str) -> str:
    kind = "REAL" if name in _NUMBERS else "INTEGER" if name in _FLAGS else "TEXT NOT NULL"
    return f'"{name}" {kind}'


def _append_only(table: str, key: str) -> str:
    refuse = "SELECT RAISE(ABORT, 'the gate log is append-only')"
    return f"""
        CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} BEGIN {refuse}; END;
        CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} BEGIN {refuse}; END;
        CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table}
            WHEN EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key}) BEGIN {refuse}; END;
    """  # noqa: S608 - names are constants of this module


_SCHEMA = f"""
    BEGIN IMMEDIATE;
    CREATE TABLE presentations (
        line INTEGER PRIMARY KEY AUTOINCREMENT, {", ".join(_column(name) for name in COLUMNS)},
        UNIQUE (presentation_id)
    );
    CREATE TABLE confirmations (
        line INTEGER PRIMARY KEY AUTOINCREMENT, presentation_id TEXT NOT NULL UNIQUE
            REFERENCES presentations (presentation_id), time TEXT NOT NULL, confirmed TEXT NOT NULL
    );
    CREATE TABLE audits (
        line INTEGER PRIMARY KEY AUTOINCREMENT, presentation_id TEXT NOT NULL UNIQUE
            REFERENCES presentations (presentation_id), time TEXT NOT NULL, class TEXT NOT NULL, by TEXT NOT NULL
    );
    CREATE TABLE events (
        line INTEGER PRIMARY KEY AUTOINCREMENT, time TEXT NOT NULL, kind TEXT NOT NULL, detail TEXT NOT NULL,
        by TEXT NOT NULL
    );
    {_append_only("presentations", "presentation_id")}
    {_append_only("confirmations", "presentation_id")}
    {_append_only("audits", "presentation_id")}
    {_append_only("events", "line")}
    PRAGMA user_version = {LOG_FORMAT};
    COMMIT;
"""


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
            self._connection = sqlite3.connect(path, isolation_level=None)
            self._connection.execute("PRAGMA journal_mode = WAL")
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
        values = [_stored(name, getattr(line, name)) for name in COLUMNS]
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

    def events(self) -> tuple[tuple[str, str, str, str], ...]:
        """(time, kind, detail, by) of every event, in order."""
        return tuple(self._connection.execute("SELECT time, kind, detail, by FROM events ORDER BY line"))

    def count(self) -> int:
        """How many presentations the log holds."""
        return int(self._connection.execute("SELECT count(*) FROM presentations").fetchone()[0])

    def lines(self) -> Iterator[LogLine]:
        """Every line in the order in which it was written, with its later confirmation."""
        names = ", ".join(f'p."{name}"' for name in COLUMNS if name != "confirmed")
        query = (
            f"SELECT {names}, COALESCE(c.confirmed, p.confirmed) FROM presentations p "  # noqa: S608
            "LEFT JOIN confirmations c USING (presentation_id) ORDER BY p.line"
        )
        order = [*(name for name in COLUMNS if name != "confirmed"), "confirmed"]
        with closing(self._connection.execute(query)) as rows:
            for row in rows:
                yield LogLine(**{name: _read(name, value) for name, value in zip(order, row, strict=True)})

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
            writer.writerow([_cell(getattr(line, name)) for name in COLUMNS])
        return write_text(path, stream.getvalue())

    def _require_format(self) -> None:
        found = self._connection.execute("PRAGMA user_version").fetchone()[0]
        names = {row[0] for row in self._connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if found == 0 and not names:
            self._connection.executescript(_SCHEMA)
        elif found != LOG_FORMAT or not names >= TABLES:
            raise InputError(
                f"File is no gate log of format {LOG_FORMAT}, found {found} with tables {sorted(names)}",
                where=str(self.path),
                do="Give a gate log or a new file.",
            )

    def _refusal(self, what: str, error: Exception) -> InputError:
        return InputError(
            f"Gate log cannot be {what}: {error}", where=str(self.path), do="Hold until the log can be written again."
        )


def _stored(name: str, value: Any) -> object:  # noqa: ANN401 - one of the types of LogLine
    if name in _LISTS:
        return ";".join(value)
    if name == "logits":
        return json.dumps({key: [_finite(number) for number in row] for key, row in value.items()}, allow_nan=False)
    if name in _FLAGS:
        return None if value is None else int(value)
    if name in _NUMBERS:
        return _finite(value)
    return str(value)


def _finite(value: float | None) -> float | None:
    """JSON and SQLite have no NaN and no infinity: they are kept as unknown."""
    return float(value) if value is not None and math.isfinite(value) else None


def _read(name: str, value: Any) -> Any:  # noqa: ANN401 - as _stored
    if name in _LISTS:
        return tuple(value.split(";")) if value else ()
    if name == "logits":
        return {key: tuple(math.nan if x is None else x for x in row) for key, row in json.loads(value).items()}
    if name in _FLAGS:
        return None if value is None else bool(value)
    return Action(value) if name == "action" else value


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ";".join(value)
    return str(_stored("logits", value)) if isinstance(value, Mapping) else str(value)
