"""What a line of the gate log is (format 7), how each value is stored, and how an older file becomes one of today's.

Knows SQLite's text, opens nothing.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from passage_cv.records import Action

LOG_FORMAT = 2
CHANGES = {
    1: "2026-11: first format.",
    2: "2026-11: table measures, for what charts need and a line does not say (sharpness).",
}
TABLES = {"presentations", "confirmations", "audits", "events", "measures"}


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


_MEASURES = f"""
    CREATE TABLE measures (
        line INTEGER PRIMARY KEY AUTOINCREMENT, presentation_id TEXT NOT NULL
            REFERENCES presentations (presentation_id), name TEXT NOT NULL, value REAL NOT NULL,
        UNIQUE (presentation_id, name)
    );
    {_append_only("measures", "line")}
"""
SCHEMA = f"""
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
    {_MEASURES}
    PRAGMA user_version = {LOG_FORMAT};
    COMMIT;
"""

UPGRADES = {1: f"BEGIN IMMEDIATE; {_MEASURES} PRAGMA user_version = 2; COMMIT;"}
"""What turns a log of an older format into one of the next; no line is touched."""


def stored_value(name: str, value: Any) -> object:  # noqa: ANN401 - one of the types of LogLine
    """A value of a line as SQLite keeps it."""
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


def read_value(name: str, value: Any) -> Any:  # noqa: ANN401 - as stored_value
    """A stored value as a line has it."""
    if name in _LISTS:
        return tuple(value.split(";")) if value else ()
    if name == "logits":
        return {key: tuple(math.nan if x is None else x for x in row) for key, row in json.loads(value).items()}
    if name in _FLAGS:
        return None if value is None else bool(value)
    return Action(value) if name == "action" else value


def csv_cell(value: object) -> str:
    """A value of a line as the export writes it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ";".join(value)
    return str(stored_value("logits", value)) if isinstance(value, Mapping) else str(value)
