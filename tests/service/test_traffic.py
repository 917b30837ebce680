"""Traffic through the package alone: every presentation logged, the truth opened only afterwards."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.records import Action
from passage_cv.service.log import GateLog
from passage_cv.service.traffic import run_traffic, score_against_truth
from tests.gate_world import write_traffic_folder
from tests.worlds import five_class_policy

SHOWN: list[tuple[str, ...]] = [("NSH",), ("AMS", "AMS"), ("BOW",), ("SNS",), ("dull", "dull", "dull"), ()]
GROUPS = five_class_policy().groups


@pytest.fixture
def traffic(tmp_path: Path) -> Path:
    return write_traffic_folder(tmp_path / "traffic", SHOWN)


def test_every_presentation_is_decided_and_logged(package: Path, traffic: Path, tmp_path: Path) -> None:
    summary = run_traffic(package, traffic, tmp_path / "gate.sqlite")
    with GateLog(tmp_path / "gate.sqlite") as log:
        lines = list(log.lines())
    assert [line.action.value for line in lines] == ["reject", "pass", "pass", "pass", "hold", "hold"]
    assert summary.presentations == len(SHOWN)
    assert summary.actions == {Action.PASS: 3, Action.HOLD: 2, Action.REJECT: 1, Action.NO_DECISION: 0}
    assert summary.hold_reasons == {"too few views": 1}
    assert [len(line.image_sha256s) for line in lines] == [len(views) for views in SHOWN]
    assert {len(values) for values in lines[1].logits.values()} == {2}
    assert (lines[0].turbidity_NTU, lines[0].light, lines[0].live) == (15.0, "day", False)


def test_the_truth_is_not_needed(package: Path, traffic: Path, tmp_path: Path) -> None:
    (traffic / "truth.csv").unlink()
    assert run_traffic(package, traffic, tmp_path / "gate.sqlite").presentations == len(SHOWN)


def test_a_set_up_that_was_not_measured_holds_everything(package: Path, tmp_path: Path) -> None:
    traffic = write_traffic_folder(tmp_path / "traffic", SHOWN, setup_id="KBW-9")
    summary = run_traffic(package, traffic, tmp_path / "gate.sqlite")
    assert summary.actions[Action.HOLD] == len(SHOWN)


def test_a_picture_that_is_gone_holds(package: Path, traffic: Path, tmp_path: Path) -> None:
    (traffic / "images" / "P00002-1.png").unlink()
    summary = run_traffic(package, traffic, tmp_path / "gate.sqlite")
    assert summary.actions[Action.PASS] == 2
    assert summary.hold_reasons["Picture cannot be opened: No such file or directory"] == 1


def test_twice_in_a_row_is_refused(package: Path, traffic: Path, tmp_path: Path) -> None:
    run_traffic(package, traffic, tmp_path / "gate.sqlite")
    with pytest.raises(InputError, match="6 of 6 presentations are in the log already: P00001, P00002"):
        run_traffic(package, traffic, tmp_path / "gate.sqlite")


def test_a_damaged_package_writes_no_log(package: Path, traffic: Path, tmp_path: Path) -> None:
    (tmp_path / "bad").mkdir()
    with pytest.raises(InputError, match=r"manifest\.json is missing"):
        run_traffic(tmp_path / "bad", traffic, tmp_path / "gate.sqlite")
    assert not (tmp_path / "gate.sqlite").exists()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda text: text.replace("setup_id", "rig"), "Columns are missing: setup_id"),
        (lambda text: text.replace("P00002,", "P00001,"), "named more than once: P00001"),
        (lambda text: text.replace(",day,", ",", 1), r"Row 2 has \d+ cells"),
    ],
)
def test_a_list_that_cannot_be_used(
    package: Path, traffic: Path, tmp_path: Path, change: object, message: str
) -> None:
    path = traffic / "presentations.csv"
    path.write_text(change(path.read_text()))  # type: ignore[operator]
    with pytest.raises(InputError, match=message):
        run_traffic(package, traffic, tmp_path / "gate.sqlite")


def test_progress_is_told(package: Path, traffic: Path, tmp_path: Path) -> None:
    seen: list[tuple[str, int, int]] = []
    run_traffic(package, traffic, tmp_path / "gate.sqlite", lambda *told: seen.append(told))
    assert seen[-1] == ("Gate traffic", 6, 6)


def test_truth_counts_groups_and_classes(package: Path, traffic: Path, tmp_path: Path) -> None:
    run_traffic(package, traffic, tmp_path / "gate.sqlite")
    truth = traffic / "truth.csv"
    truth.write_text(truth.read_text().replace(",dull,", ",NSH+AMS,"))
    groups, classes = score_against_truth(tmp_path / "gate.sqlite", truth, GROUPS)
    assert [(one.name, one.n, one.actions[Action.PASS], one.actions[Action.REJECT]) for one in groups] == [
        ("exclude", 1, 0, 1),
        ("pass", 2, 2, 0),
        ("protected", 1, 1, 0),
        ("two fish in view", 1, 0, 0),
        ("empty view", 1, 0, 0),
    ]
    assert [(one.name, one.group, one.n) for one in classes] == [
        ("AMS", "pass", 1),
        ("BOW", "pass", 1),
        ("NSH", "exclude", 1),
        ("SNS", "protected", 1),
    ]


def test_truth_of_other_traffic_is_refused(package: Path, traffic: Path, tmp_path: Path) -> None:
    run_traffic(package, traffic, tmp_path / "gate.sqlite")
    truth = traffic / "truth.csv"
    truth.write_text(truth.read_text().replace("P00001,", "X00001,"))
    with pytest.raises(InputError, match="1 logged presentations have no true class: P00001"):
        score_against_truth(tmp_path / "gate.sqlite", truth, GROUPS)


def test_the_log_is_enough_to_name_package_and_policy(package: Path, traffic: Path, tmp_path: Path) -> None:
    run_traffic(package, traffic, tmp_path / "gate.sqlite")
    manifest = json.loads((package / "manifest.json").read_bytes())
    with GateLog(tmp_path / "gate.sqlite") as log:
        assert {(line.package_id, line.policy_sha256) for line in log.lines()} == {
            (manifest["package_id"], manifest["policy_sha256"])
        }
