"""calibrate, evaluate and costs as a person calls them: what they write, what they say, and the exit codes."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from typer.testing import CliRunner

from passage_cv.cli.main import program
from passage_cv.errors import InputError
from passage_cv.scores import write_scores
from tests.evaluation.pages import Page
from tests.gate_world import policy_toml
from tests.worlds import five_class_policy, five_class_scores


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("commands")
    write_scores(five_class_scores(np.random.default_rng(1)), out / "scores.parquet")
    write_scores(five_class_scores(np.random.default_rng(1), per_class=60), out / "few.csv")
    (out / "policy.toml").write_text(policy_toml(five_class_policy()), encoding="utf-8")
    return out


def run(*words: object) -> Result:
    return CliRunner().invoke(program, [str(word) for word in words], catch_exceptions=False)


@pytest.fixture(scope="module")
def cutoffs(folder: Path) -> Path:
    done = run("calibrate", folder / "scores.parquet", "-p", folder / "policy.toml", "-o", folder / "cutoffs.json")
    assert done.exit_code == 0, done.output
    assert "Pass below" in done.output
    assert "of all fish are held" in done.output
    return folder / "cutoffs.json"


def test_a_look_that_no_ledger_counted_is_said_where_the_limits_stand(folder: Path, tmp_path: Path) -> None:
    done = run("calibrate", folder / "scores.parquet", "-p", folder / "policy.toml", "-o", tmp_path / "cutoffs.json")
    assert "no ledger counted this look" in done.stderr
    run("evaluate", folder / "scores.parquet", "-c", tmp_path / "cutoffs.json", "-o", tmp_path / "report")
    assert "no ledger counted this look" in Page((tmp_path / "report/report.html").read_text(encoding="utf-8")).text


def test_what_holding_unfamiliar_fish_costs_is_said_by_both_commands(tmp_path: Path) -> None:
    scores = five_class_scores(np.random.default_rng(1))
    far = {**scores.numbers, "unfamiliarity": np.random.default_rng(2).normal(0, 1, len(scores))}
    write_scores(
        replace(scores, numbers=far, present=scores.present | {"unfamiliarity"}, meta={"unfamiliarity": "model"}),
        tmp_path / "scores.parquet",
    )
    (tmp_path / "policy.toml").write_text(policy_toml(five_class_policy()), encoding="utf-8")
    out, report = tmp_path / "cutoffs.json", tmp_path / "report"
    set_by = run("calibrate", tmp_path / "scores.parquet", "-p", tmp_path / "policy.toml", "-o", out)
    cut, test = (rf"Of \d+ {role} fish of known classes \d+ are held as unlike anything" for role in ("cut", "test"))
    assert re.search(cut, set_by.output), set_by.output
    judged = run("evaluate", tmp_path / "scores.parquet", "-c", out, "-o", report)
    assert re.search(cut, judged.output)
    assert re.search(test, judged.output)
    assert re.search(test, (report / "report.html").read_text(encoding="utf-8"))


def test_a_limit_that_cannot_be_shown_exits_1_and_writes_all_the_same(folder: Path, tmp_path: Path) -> None:
    done = run(
        "calibrate", folder / "few.csv", "-p", folder / "policy.toml", "-o", tmp_path / "cutoffs.json", "--json"
    )
    assert done.exit_code == 1
    assert json.loads(done.stdout)["u"] is None
    assert "No cutoff keeps the miss limit 0.05 for NSH" in done.stderr
    assert json.loads((tmp_path / "cutoffs.json").read_text())["u"] is None


def test_capacity_given_up_exits_1(folder: Path, tmp_path: Path) -> None:
    text = policy_toml(five_class_policy())
    extra = "presentations_per_hour = 100\nhold_capacity_per_hour = 0.01\n"
    (tmp_path / "policy.toml").write_text(extra + text, encoding="utf-8")
    done = run("calibrate", folder / "scores.parquet", "-p", tmp_path / "policy.toml", "-o", tmp_path / "c.json")
    assert done.exit_code == 1
    assert "capacity given up" in done.stderr
    assert json.loads((tmp_path / "c.json").read_text())["hold_load"]["met"] is False


def test_sweep_writes_tables_and_sets_nothing(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "cutoffs.json"
    done = run(
        "calibrate", folder / "scores.parquet", "-p", folder / "policy.toml", "-o", out, "--sweep", tmp_path / "sweep"
    )
    assert done.exit_code == 0
    assert not out.exists()
    names = {path.name for path in (tmp_path / "sweep").iterdir()}
    assert names == {"limits.csv", "costs.csv", "hold-cost.csv", "shares.csv", "capacity.csv", "needed.csv"}
    with (tmp_path / "sweep" / "needed.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["class"], row["needed_in_cut"]) for row in rows] == [("NSH", "72"), ("BCF", "72"), ("SNS", "72")]


def test_evaluate_compares_with_the_report_before(folder: Path, cutoffs: Path, tmp_path: Path) -> None:
    for name, extra in (("first", ()), ("second", ("--before", tmp_path / "first", "--simultaneous"))):
        done = run("evaluate", folder / "scores.parquet", "-c", cutoffs, "-o", tmp_path / name, *extra)
        assert done.exit_code == 0, done.output
    assert "exact interval (99.0 %)" in done.output  # 95 % over five classes
    page = Page((tmp_path / "second" / "report.html").read_text(encoding="utf-8"))
    assert "Model, data set version, policy and cutoffs are the same" in page.text
    assert "fish were judged both times: 0 went wrong only before, 0 only now" in page.text


def test_evaluate_refuses_a_folder_without_a_report(folder: Path, cutoffs: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="missing"):
        run("evaluate", folder / "scores.parquet", "-c", cutoffs, "-o", tmp_path, "--before", tmp_path / "none")


def test_near_pictures_need_the_store_that_holds_them(folder: Path, cutoffs: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--run needs the pictures"):
        run("evaluate", folder / "scores.parquet", "-c", cutoffs, "-o", tmp_path, "--run", tmp_path)


def test_costs_are_asked_and_tried(folder: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "costs.toml"
    assert run("costs", "ask", "-p", folder / "policy.toml", "-o", sheet).exit_code == 0
    with pytest.raises(InputError, match="may hold answers"):
        run("costs", "ask", "-p", folder / "policy.toml", "-o", sheet)
    block = 'about = "BOW"\nkind = "error"\ntext = "How many held fish weigh as one Amia calva (BOW) rejected?"\n'
    answer = (
        '[[questions.answers]]\nby = "RKV"\non = 2031-04-02\nlow = 0.5\nlikely = 5\nhigh = 60\nbecause = "<b>x</b>"\n'
    )
    text = sheet.read_text(encoding="utf-8")
    assert block in text
    sheet.write_text(text.replace(block, block + answer), encoding="utf-8")
    done = run(
        "costs", "try", sheet, "-p", folder / "policy.toml", "-s", folder / "scores.parquet", "-o", tmp_path / "out"
    )
    assert done.exit_code == 0, done.output
    assert "of fish would be treated otherwise" in done.output
    source = (tmp_path / "out" / "costs.html").read_text(encoding="utf-8")
    page = Page(source)
    assert page.fetched() == []
    assert "RKV, 2031-04-02" in page.text
    assert "<b>x" not in source
    assert all((picture.get("alt") or "").strip() for picture in page.named("img"))
    with (tmp_path / "out" / "answers.csv").open(encoding="utf-8", newline="") as stream:
        assert [(row["by"], row["on"], row["likely"]) for row in csv.DictReader(stream)] == [
            ("RKV", "2031-04-02", "5.0")
        ]
