"""Verification replays every case, and notices a package whose hashes are right but whose content is not."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from passage_cv.files import sha256_file
from passage_cv.gate.code_check import find_compiler
from passage_cv.gate.format import LOGIT_CASES, PICTURE_CASES
from passage_cv.gate.manifest import build_manifest, manifest_bytes, read_manifest
from passage_cv.gate.timing import TimeBudget
from passage_cv.gate.verify import VerifyReport, verify_package
from tests.gate_world import WEIGHTS, write_model

CHECKS = [
    "manifest", "every byte", "signature", "records", "reference logits", "reference pictures", "C header",
    "Structured Text", "latency",
]  # fmt: skip
needs_compiler = pytest.mark.skipif(not find_compiler(), reason="needs a C compiler (cc, gcc or clang)")


def signed_again(folder: Path) -> None:
    """Write the manifest anew, as somebody would who changes a package on purpose."""
    values = read_manifest(folder).model_dump()
    values["files"] = {name: sha256_file(folder / name) for name in values["files"]}
    values["model_sha256"] = sha256_file(folder / "model.onnx")
    del values["format"], values["package_id"]
    (folder / "manifest.json").write_bytes(manifest_bytes(build_manifest(values)))


def failed(report: VerifyReport) -> dict[str, str]:
    return {check.name: check.detail for check in report.checks if not check.ok}


def test_each_step_of_a_check_says_how_far_it_is(package: Path) -> None:
    said: dict[str, list[tuple[int, int]]] = {}
    verify_package(package, progress=lambda label, done, total: said.setdefault(label, []).append((done, total)))
    assert said.pop("Checks") == [(n, len(CHECKS)) for n in range(len(CHECKS))]
    assert [*said] == [
        "Checking every byte", "Deciding reference logits", "Replaying reference pictures", "Timing",
    ]  # fmt: skip
    assert all(steps[0][0] == 0 and steps[-1][0] == steps[-1][1] > 1 for steps in said.values())


def test_a_good_package_passes_every_check(package: Path) -> None:
    report = verify_package(package)
    assert report.ok
    assert [check.name for check in report.checks] == CHECKS
    assert report.package_id == read_manifest(package).package_id
    assert report.latency is not None
    assert 0 < report.latency.p50_ms <= report.latency.p95_ms <= report.latency.p99_ms


def test_the_report_is_json(package: Path) -> None:
    report = verify_package(package).as_dict()
    assert json.loads(json.dumps(report, allow_nan=False))["ok"] is True


def test_nothing_is_loaded_once_a_byte_differs(copied: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def loaded(*_: object) -> None:
        raise AssertionError("a damaged package was loaded")

    monkeypatch.setattr("passage_cv.gate.verify.load_package", loaded)
    (copied / "cutoffs.json").write_text((copied / "cutoffs.json").read_text() + " ")
    report = verify_package(copied)
    assert not report.ok
    assert [check.name for check in report.checks] == CHECKS[:2]
    assert "cutoffs.json does not match its hash" in failed(report)["every byte"]
    assert report.latency is None


def test_all_altered_files_are_named_at_once(copied: Path) -> None:
    (copied / "crop.json").unlink()
    (copied / "extra.txt").write_text("x")
    detail = failed(verify_package(copied))["every byte"]
    assert "crop.json is missing; extra.txt is not listed" in detail


def test_a_folder_that_is_no_package(tmp_path: Path) -> None:
    report = verify_package(tmp_path)
    assert (report.ok, report.package_id, report.latency) == (False, "", None)
    assert "manifest.json is missing" in failed(report)["manifest"]


def test_another_model_is_found_by_its_reference_pictures(copied: Path) -> None:
    cutoffs = json.loads((copied / "cutoffs.json").read_bytes())
    cutoffs["model"] = write_model(copied / "model.onnx", weights=1.001 * WEIGHTS)
    (copied / "cutoffs.json").write_text(json.dumps(cutoffs))
    signed_again(copied)
    found = failed(verify_package(copied))
    assert "cutoffs hash differs" in found["records"]


def test_logits_outside_the_tolerance_are_found(copied: Path) -> None:
    path = copied / PICTURE_CASES
    rows = path.read_bytes().decode().split("\r\n")
    cells = rows[1].split(",")
    cells[4] = repr(float(cells[4]) + 2e-4)
    path.write_text("\r\n".join([rows[0], ",".join(cells), *rows[2:]]), newline="")
    signed_again(copied)
    assert "R001: logits differ by 0.0002, allowed 0.0001" in failed(verify_package(copied))["reference pictures"]


def test_another_action_of_a_picture_is_found(copied: Path) -> None:
    path = copied / PICTURE_CASES
    path.write_text(path.read_text().replace(",reject,", ",pass,", 1), newline="")
    signed_again(copied)
    assert "reject, listed pass" in failed(verify_package(copied))["reference pictures"]


def test_another_action_of_given_logits_is_found(copied: Path) -> None:
    path = copied / LOGIT_CASES
    path.write_text(path.read_text().replace(",hold,unknown", ",pass,unknown", 1), newline="")
    signed_again(copied)
    assert "(would pass): hold at" in failed(verify_package(copied))["reference logits"]


def test_a_score_off_by_a_little_is_found(copied: Path) -> None:
    path = copied / LOGIT_CASES
    rows = path.read_bytes().decode().split("\r\n")
    cells = rows[1].split(",")
    cells[-3] = repr(float(cells[-3]) * (1 + 1e-9))
    path.write_text("\r\n".join([rows[0], ",".join(cells), *rows[2:]]), newline="")
    signed_again(copied)
    assert "L001 (ordinary)" in failed(verify_package(copied))["reference logits"]


def test_records_that_do_not_belong_together_are_found(copied: Path) -> None:
    classes = json.loads((copied / "classes.json").read_bytes())
    classes["classes"][0]["code"], classes["classes"][1]["code"] = "BCF", "NSH"
    (copied / "classes.json").write_text(json.dumps(classes))
    signed_again(copied)
    assert "class order differs: ('BCF', 'NSH'" in failed(verify_package(copied))["records"]


def test_a_model_that_does_not_load_is_reported(copied: Path) -> None:
    (copied / "model.onnx").write_bytes(b"not a model")
    signed_again(copied)
    assert "records" in failed(verify_package(copied))


def test_the_slowest_decision_must_fit_the_sites_time(package: Path) -> None:
    belt = TimeBudget(distance_m=1.2, speed_m_per_s=0.4, gate_s=0.8, margin_s=0.25, control_s=0.15)
    assert verify_package(package, budget=belt).checks[-1].name == "time budget"
    jet = belt.model_copy(update={"speed_m_per_s": 40.0})
    report = verify_package(package, budget=jet)
    assert not report.ok
    assert "are left of 30 ms of travel" in failed(report)["time budget"]


@needs_compiler
def test_a_header_with_another_cutoff_is_found(copied: Path) -> None:
    path = copied / "passage_gate.h"
    text = path.read_text()
    at = text.index("if ((float)score < ") + len("if ((float)score < ")
    path.write_text(f"{text[:at]}1.0f + {text[at:]}")
    signed_again(copied)
    assert "L" in failed(verify_package(copied))["C header"]


@needs_compiler
def test_a_header_that_does_not_compile_is_found(copied: Path) -> None:
    path = copied / "passage_gate.h"
    path.write_text(path.read_text().replace("int spared = 0;", "int spared = 0", 1))
    signed_again(copied)
    assert "The C header does not compile" in failed(verify_package(copied))["C header"]


def test_structured_text_that_does_not_parse_is_found(copied: Path) -> None:
    path = copied / "passage_gate.st"
    path.write_text(path.read_text().replace("END_FOR;", "", 1))
    signed_again(copied)
    assert "is no Structured Text" in failed(verify_package(copied))["Structured Text"]


def test_a_check_without_its_tool_is_listed_as_not_made(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("passage_cv.gate.replay.find_compiler", lambda: "")
    monkeypatch.setattr("passage_cv.gate.replay.has_grammar", lambda: False)
    report = verify_package(package)
    assert (report.ok, report.not_made) == (True, ("C header", "Structured Text"))
    details = {check.name: check.detail for check in report.checks}
    assert details["C header"].startswith("not made here: there is no C compiler")


def test_the_record_names_the_computer_and_the_time_left(package: Path) -> None:
    belt = TimeBudget(distance_m=1.2, speed_m_per_s=0.4, gate_s=0.8, margin_s=0.25, control_s=0.15)
    record = json.loads(json.dumps(verify_package(package, budget=belt).as_dict(), allow_nan=False))
    assert record["budget"]["left_ms"] == pytest.approx(1800)  # check-value CV-131, computed there
    assert {"time", "processor", "onnxruntime", "compiler"} <= record["computer"].keys()
    assert record["latency"].keys() == {"n", "p50_ms", "p95_ms", "p99_ms"}
