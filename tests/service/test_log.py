"""The gate log: nothing is lost, nothing is changed, and a line that cannot be written says so."""

from __future__ import annotations

import csv
import multiprocessing
import os
import signal
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.records import Action
from passage_cv.service.log import COLUMNS, GateLog, LogLine
from tests.service.lines import make_line

LINE = LogLine(
    presentation_id="P00001",
    time="2031-05-04T10:01:00-04:00",
    site="QMR-KBW-01",
    event="QMR-20310504",
    setup_id="KBW-2",
    camera="cam-1;cam-1",
    package_id="a" * 64,
    policy_sha256="b" * 64,
    image_sha256s=("c" * 64, "d" * 64),
    image_paths=("images/1.jpg", "images/2.jpg"),
    logits={"NSH": (0.1 + 0.2, -1e-300), "AMS": (3.0, 4.0)},
    score=-5.132900714874267,
    action=Action.PASS,
    reason="score below the pass cutoff",
    hold_reason="",
    latency_ms=12.5,
    attended=True,
    light="day",
    turbidity_NTU=15.0,
)


def write_without_end(path: Path, wrote: str) -> None:
    """Append lines until killed; note each only after ``append`` came back."""
    with GateLog(path) as log, Path(wrote).open("a") as noted:
        for number in range(1_000_000):
            log.append(replace(LINE, presentation_id=f"P{number:07d}"))
            noted.write(f"P{number:07d}\n")
            noted.flush()


def append_many(log: GateLog) -> None:
    for number in range(100):
        log.append(replace(LINE, presentation_id=f"Q{number}"))


def test_a_line_comes_back_as_it_was_written(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        log.append(LINE)
    with GateLog(tmp_path / "gate.sqlite") as log:
        assert list(log.lines()) == [LINE]


def test_the_file_has_the_columns_of_the_format(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite"):
        pass
    with sqlite3.connect(tmp_path / "gate.sqlite") as connection:
        names = [row[1] for row in connection.execute("PRAGMA table_info(presentations)")]
    assert names == ["line", *COLUMNS]


def test_what_is_no_number_is_kept_as_unknown(tmp_path: Path) -> None:
    odd = replace(LINE, score=float("nan"), logits={"NSH": (float("nan"), float("inf"))}, turbidity_NTU=None)
    with GateLog(tmp_path / "gate.sqlite") as log:
        log.append(odd)
        (back,) = log.lines()
    assert back.score is None
    assert all(value != value for value in back.logits["NSH"])  # noqa: PLR0124 - not a number


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE presentations SET action = 'pass'",
        "DELETE FROM presentations",
        "INSERT OR REPLACE INTO presentations SELECT * FROM presentations",
        "UPDATE confirmations SET confirmed = 'open'",
        "DELETE FROM confirmations",
    ],
)
def test_lines_cannot_be_changed(tmp_path: Path, statement: str) -> None:
    path = tmp_path / "gate.sqlite"
    with GateLog(path) as log:
        log.append(LINE)
        log.confirm("P00001", time="2031-05-04T10:01:02-04:00", confirmed="closed")
    with sqlite3.connect(path) as other, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        other.execute(statement)
    with GateLog(path) as log:
        assert list(log.lines()) == [replace(LINE, confirmed="closed")]


def test_a_presentation_has_one_line(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        log.append(LINE)
        with pytest.raises(InputError, match=r"cannot be written \(presentation P00001\).*append-only"):
            log.append(replace(LINE, action=Action.HOLD))
        assert [line.action for line in log.lines()] == [Action.PASS]


def test_a_confirmation_needs_its_line_and_comes_once(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        with pytest.raises(InputError, match="FOREIGN KEY"):
            log.confirm("P00001", time="now", confirmed="open")
        log.append(LINE)
        log.confirm("P00001", time="now", confirmed="open")
        with pytest.raises(InputError, match="append-only"):
            log.confirm("P00001", time="now", confirmed="closed")


def test_known_finds_written_presentations_in_order(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        for number in (3, 1):
            log.append(replace(LINE, presentation_id=f"P{number}"))
        assert log.known(f"P{number}" for number in range(2000)) == ("P1", "P3")


def test_a_killed_writer_loses_no_line(tmp_path: Path) -> None:
    path, noted = tmp_path / "gate.sqlite", tmp_path / "noted.txt"
    noted.touch()
    writer = multiprocessing.get_context("spawn").Process(target=write_without_end, args=(path, str(noted)))
    writer.start()
    while noted.stat().st_size < 8 * 50:
        assert writer.is_alive()
    assert writer.pid is not None
    os.kill(writer.pid, signal.SIGKILL)
    writer.join()
    promised = noted.read_text().split("\n")[:-1]
    with GateLog(path) as log:
        kept = [line.presentation_id for line in log.lines()]
    assert kept[: len(promised)] == promised
    assert len(kept) - len(promised) in {0, 1}  # killed between the disk and the note


def test_every_line_is_flushed_to_disk(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        assert log._connection.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL, SQLite's manual


def test_a_full_file_system_is_a_refusal(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        log.append(LINE)
        log._connection.execute("PRAGMA max_page_count = 1")
        with pytest.raises(InputError, match=r"database or disk is full.*Hold until the log can be written again"):
            append_many(log)


def test_a_file_that_is_no_gate_log(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("not a database, but long enough to look at " * 20)
    with pytest.raises(InputError, match="file is not a database"):
        GateLog(tmp_path / "notes.txt")
    with sqlite3.connect(tmp_path / "other.sqlite") as other:
        other.execute("CREATE TABLE fish (name TEXT)")
    with pytest.raises(InputError, match=r"no gate log of format 2, found 0 with tables \['fish'\]"):
        GateLog(tmp_path / "other.sqlite")


def test_csv_has_the_columns_of_the_format(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        log.append(LINE)
        log.export_csv(tmp_path / "gate.csv")
    with (tmp_path / "gate.csv").open(newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert tuple(row) == COLUMNS
    assert row["image_paths"] == "images/1.jpg;images/2.jpg"
    assert (row["action"], row["attended"], row["live"], row["air_s"]) == ("pass", "yes", "no", "")
    assert float(row["score"]) == LINE.score


def test_a_log_of_format_1_is_read_and_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "gate.sqlite"
    path.write_bytes(Path(__file__).with_name("gate_log_of_format_1.sqlite").read_bytes())
    with GateLog(path) as log:
        first, second = log.lines()
        assert (first.action, first.logits, first.confirmed) == (Action.PASS, {"NSH": (1.5, -2.0)}, "pass")
        assert (second.action, log.audited(), log.count_audits()) == (Action.HOLD, {"P00002": "NSH"}, 1)
        assert [*log.lines(audited=True)] == [second]
        log.add_measure("P00001", "sharpness", 12.5)
    with GateLog(path) as log:
        assert log.measures("sharpness") == {"P00001": 12.5}


def test_a_measure_belongs_to_a_line_and_is_never_changed(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        with pytest.raises(InputError, match="cannot be given a measure"):
            log.add_measure("P00001", "sharpness", 1.0)
        log.append(make_line(1, Action.PASS))
        log.add_measure("P00001", "sharpness", 1.0)
        with pytest.raises(InputError, match="cannot be given a measure"):
            log.add_measure("P00001", "sharpness", 2.0)


def test_events_of_other_processes_are_seen_in_order(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log, GateLog(tmp_path / "gate.sqlite") as other:
        log.add_event(time="1", kind="start", detail="live", by="TBO")
        seen = log.events_since()[-1].line
        other.add_event(time="2", kind="order", detail="{}", by="RKV")
        assert [(event.time, event.by) for event in log.events_since(seen)] == [("2", "RKV")]


def open_one(path: str) -> str:
    try:
        with GateLog(Path(path)) as log:
            return str(log.count())
    except InputError as error:
        return str(error)


def test_a_new_log_may_be_opened_by_several_processes_at_once(tmp_path: Path) -> None:
    with multiprocessing.get_context("fork").Pool(4) as pool:
        for number in range(20):
            path = str(tmp_path / f"gate-{number}.sqlite")
            assert pool.map(open_one, [path] * 4, chunksize=1) == ["0"] * 4
