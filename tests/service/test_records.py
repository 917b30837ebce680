"""From the log to a batch folder, proof tests, and the commands for both."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli.gate import app
from passage_cv.config import configs_folder
from passage_cv.errors import InputError
from passage_cv.gate.site import ProofTest, read_site
from passage_cv.intake.check import check_batch
from passage_cv.policy import Policy
from passage_cv.service.controller import Controller
from passage_cv.service.frames import ListedCamera
from passage_cv.service.log import GateLog
from passage_cv.service.plant import NoPlant
from passage_cv.service.presence import FIRST_FRAMES
from passage_cv.service.proof import note_proof, proof_tests
from passage_cv.service.to_batch import BatchFacts, write_batch
from tests.service.river import River, make_clock

SITE = configs_folder() / "site" / "kettleback.toml"


@pytest.fixture
def log(package: Path, tmp_path: Path) -> Path:
    """A shadow run of four fish, of which two were held and a person named one."""
    path, clock, river = tmp_path / "gate.sqlite", make_clock(), River()
    site = read_site(SITE).model_copy(update={"setup_id": "demo-setup"})
    site = site.model_copy(update={"audit": site.audit.model_copy(update={"share": 0.0})})
    with GateLog(path) as open_log:
        controller = Controller(package, site, open_log, NoPlant(), clock)
        controller.start(by="TBO", shadow=True)
        shown = [
            *river.empty(FIRST_FRAMES),
            *(data for code in ("AMS", "dull", "dull", "NSH") for data in river.one(code)),
        ]
        controller.run(ListedCamera(shown, clock, setup_id="demo-setup"))
        open_log.add_audit("QMR-KBW-01-0000002", time="now", label="SNS", by="ELQ")
    return path


def run(*words: object) -> object:
    return CliRunner().invoke(app, [str(word) for word in words])


def test_held_fish_become_a_batch_that_the_check_reads(package: Path, log: Path, tmp_path: Path) -> None:
    facts = ["--permit", "P-1", "--protocol", 'A "2"', "--by", "TBO", "--trip", "gate-2031-05"]
    done = run("batch", log, "-o", tmp_path / "batch", "--package", package, *facts)
    assert done.exit_code == 0, done.output  # type: ignore[attr-defined]
    assert "2 fish, 6 pictures" in done.output  # type: ignore[attr-defined]
    checked = check_batch(tmp_path / "batch")
    rows = (tmp_path / "batch" / "sheet.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 3
    assert "Acipenser brevirostrum,field" in rows[1]
    must = {(one.kind, one.row) for one in checked.findings if one.severity == "must resolve"}
    assert must
    assert {row for _, row in must} <= {3, None}, must  # the fish that nobody has named yet


def test_a_class_within_a_species_fills_in_the_columns_it_hangs_on(log: Path, tmp_path: Path) -> None:
    sturgeon = {"scientific_name": "Acipenser brevirostrum", "policy": "exclude", "pass_cost": 20}
    rules = [
        {"code": "SNS", **sturgeon, "where": {"sex": "F", "mark": "LV"}},
        {"code": "MALE", **sturgeon, "where": {"sex": "M"}},
        {"code": "AMS", "scientific_name": "Alosa sapidissima", "policy": "pass", "reject_cost": 5},
    ]
    policy = Policy.model_validate({"format": 1, "site": "S", "confidence": 0.95, "classes": rules})
    write_batch(log, tmp_path / "batch", policy, BatchFacts("P-1", "A-2", "TBO"))
    with (tmp_path / "batch" / "sheet.csv").open(encoding="utf-8", newline="") as stream:
        named, unnamed = csv.DictReader(stream)
    assert [named[key] for key in ("scientificName", "mark", "sex")] == ["Acipenser brevirostrum", "LV", "F"]
    assert [unnamed[key] for key in ("scientificName", "mark", "sex")] == ["", "", ""]
    assert "lifeStage" not in named


def test_an_altered_picture_is_not_copied(package: Path, log: Path, tmp_path: Path) -> None:
    with GateLog(log) as open_log:
        held = list(open_log.lines())[1]
    (log.parent / held.image_paths[0]).write_bytes(b"another picture")
    done = run(
        "batch", log, "-o", tmp_path / "b", "--package", package, "--permit", "P", "--protocol", "A", "--by", "TBO"
    )
    assert "Picture of QMR-KBW-01-0000002 is altered" in str(done.exception)  # type: ignore[attr-defined]
    assert not (tmp_path / "b").exists()


def test_nothing_held_is_no_batch(package: Path, log: Path, tmp_path: Path) -> None:
    more = ["--permit", "P", "--protocol", "A", "--by", "TBO", "--since", "2099"]
    done = run("batch", log, "-o", tmp_path / "b", "--package", package, *more)
    assert "No presentation with a picture was held or audited" in str(done.exception)  # type: ignore[attr-defined]


def test_the_crew_is_compared_on_the_command_line(package: Path, log: Path, tmp_path: Path) -> None:
    (tmp_path / "crew.csv").write_text(
        "presentation_id,action,class\nQMR-KBW-01-0000001,reject,NSH\nQMR-KBW-01-0000004,reject,NSH\n"
    )
    done = run("compare", log, tmp_path / "crew.csv", "--package", package)
    assert done.exit_code == 1  # type: ignore[attr-defined]
    assert "SERIOUS QMR-KBW-01-0000001: gate pass, crew reject NSH" in done.output  # type: ignore[attr-defined]


KNOWN = (ProofTest(function="heartbeat pulled", every_days=30),)
NOW = datetime(2031, 5, 4, tzinfo=UTC)


def test_a_proof_test_is_due_again_in_time_and_never_after_a_failure(tmp_path: Path) -> None:
    with GateLog(tmp_path / "gate.sqlite") as log:
        (never,) = proof_tests(log.events_since(), KNOWN, now=NOW)
        assert (never.ok, never.due) == (False, "now")
        note_proof(log, "heartbeat pulled", KNOWN, passed=True, remark="", time=NOW.isoformat(), by="RKV")
        states = [
            proof_tests(log.events_since(), KNOWN, now=NOW + timedelta(days=days))[0].ok for days in (1, 30, 31)
        ]
        assert states == [True, True, False]
        note_proof(log, "heartbeat pulled", KNOWN, passed=False, remark="stuck", time=NOW.isoformat(), by="RKV")
        assert not proof_tests(log.events_since(), KNOWN, now=NOW)[0].ok
        with pytest.raises(InputError, match="'siren' is no function of this site: heartbeat pulled"):
            note_proof(log, "siren", KNOWN, passed=True, remark="", time=NOW.isoformat(), by="RKV")


def test_an_overdue_proof_test_is_an_alarm(package: Path, log: Path) -> None:
    done = run("status", log, "--package", package, "--site", SITE)
    assert done.exit_code == 1  # type: ignore[attr-defined]
    assert "Proof test overdue: challenge set, last tried never" in done.output  # type: ignore[attr-defined]
    for one in read_site(SITE).proof_tests:
        done = run("proof", log, "--site", SITE, "--function", one.function, "--by", "RKV")
    assert done.exit_code == 0, done.output  # type: ignore[attr-defined]
    assert run("status", log, "--package", package, "--site", SITE).exit_code == 0  # type: ignore[attr-defined]
