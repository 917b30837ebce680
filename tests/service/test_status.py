"""The status of a gate, and the commands that show and feed it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli.gate import app
from passage_cv.errors import InputError
from passage_cv.gate.manifest import read_manifest
from passage_cv.gate.site import Audit
from passage_cv.records import Action
from passage_cv.service.log import GateLog
from passage_cv.service.status import gate_status
from passage_cv.service.traffic import run_traffic
from tests.gate_world import write_traffic_folder
from tests.service.lines import make_line


@pytest.fixture
def log(package: Path, tmp_path: Path) -> Path:
    traffic = write_traffic_folder(tmp_path / "traffic", [("NSH",), ("AMS",), ("dull",), ()])
    run_traffic(package, traffic, tmp_path / "gate.sqlite", audit=Audit(share=1.0))
    return tmp_path / "gate.sqlite"


def test_the_status_counts_what_the_package_did(package: Path, log: Path) -> None:
    found = gate_status(package, log)
    assert found.package_id == read_manifest(package).package_id
    assert found.actions == {Action.PASS: 1, Action.HOLD: 2, Action.REJECT: 1, Action.NO_DECISION: 0}
    assert found.hold_reasons == {"too few views": 1}
    assert (found.audits.drawn, found.audits.looked_at, found.ok) == (4, 0, True)
    assert json.loads(json.dumps(found.as_dict(), allow_nan=False))["presentations"] == 4


def test_lines_of_other_packages_are_set_apart(package: Path, log: Path) -> None:
    with GateLog(log) as open_log:
        open_log.append(make_line(99, Action.PASS))
    found = gate_status(package, log)
    assert (found.presentations, found.of_other_packages) == (4, 1)


def test_an_audit_enters_through_the_command(package: Path, log: Path) -> None:
    done = CliRunner().invoke(app, ["audit", str(log), "P00001", "NSH", "--by", "RKV"])
    assert done.exit_code == 0, done.output
    assert gate_status(package, log).audits.looked_at == 1
    again = CliRunner().invoke(app, ["audit", str(log), "P00001", "AMS", "--by", "TBO"])
    assert isinstance(again.exception, InputError)
    assert "append-only" in str(again.exception)
    unknown = CliRunner().invoke(app, ["audit", str(log), "P99999", "AMS", "--by", "TBO"])
    assert "FOREIGN KEY" in str(unknown.exception)


def test_an_alarm_is_said_and_is_exit_code_1(package: Path, tmp_path: Path) -> None:
    path, own = tmp_path / "gate.sqlite", read_manifest(package).package_id
    with GateLog(path) as log:
        for n in range(40):
            line = replace(make_line(n, Action.PASS, audit=True), package_id=own)
            log.append(line)
            log.add_audit(line.presentation_id, time="now", label="NSH", by="RKV")
    done = CliRunner().invoke(app, ["status", str(path), "--package", str(package)])
    assert done.exit_code == 1
    assert "ALARM" in done.output
    assert "Audits: 40 of 40 drawn presentations were looked at" in done.output


def test_the_status_command_speaks_json(package: Path, log: Path) -> None:
    done = CliRunner().invoke(app, ["status", str(log), "--package", str(package), "--json"])
    assert done.exit_code == 0
    assert json.loads(done.output)["actions"]["pass"] == 1


def test_a_missing_log_is_not_made(package: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Gate log is missing"):
        gate_status(package, tmp_path / "none.sqlite")
    assert not (tmp_path / "none.sqlite").exists()
