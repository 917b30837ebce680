"""Somebody else's model: a CSV of probabilities becomes cutoffs and a report, or one clear refusal."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.stories.conftest import Ran

Run = Callable[..., Ran]

POLICY = """
format = 1
site = "somewhere"
confidence = 0.95
[[classes]]
code = "NSH"
scientific_name = "Channa argus"
policy = "exclude"
pass_cost = 20
miss_limit = 0.05
[[classes]]
code = "AMS"
scientific_name = "Alosa sapidissima"
policy = "pass"
reject_cost = 5
"""


def write_csv(path: Path, *, snakeheads: int, rows: int = 200, swap: str = "prob:NSH") -> Path:
    rng = np.random.default_rng(4)
    with path.open("w", newline="") as stream:
        out = csv.writer(stream)
        out.writerow(["individual", "class", swap, "prob:AMS", "note of the crew"])
        for i in range(rows):
            label = "NSH" if i < snakeheads else "AMS"
            p = float(rng.beta(8, 2) if label == "NSH" else rng.beta(2, 8))
            out.writerow([f"fish {i}", label, repr(p), repr(1 - p), "unknown columns are kept and ignored"])
    return path


@pytest.fixture
def policy(tmp_path: Path) -> Path:
    path = tmp_path / "policy.toml"
    path.write_text(POLICY)
    return path


def test_enough_fish_give_cutoffs_and_an_unchecked_report(run: Run, policy: Path, tmp_path: Path) -> None:
    scores = write_csv(tmp_path / "scores.csv", snakeheads=93)
    done = run("calibrate", scores, "--policy", policy, "-o", tmp_path / "c.json", "--json")
    assert done.code == 0, done.err
    cutoffs = json.loads(done.out)
    assert cutoffs["limits"][0]["k"] == 2  # 93 fish allow one miss at 5 %, 95 % (Wilks order-statistic sizes)
    assert cutoffs["limits"][0]["met"] is True
    assert cutoffs["u"] <= cutoffs["u_cap"]
    assert "Probabilities were taken as calibrated." in cutoffs["warnings"]
    done = run("evaluate", scores, "--cutoffs", tmp_path / "c.json", "-o", tmp_path / "report")
    assert done.code == 0, done.err
    assert "UNCHECKED" in done.out
    assert "Unchecked" in (tmp_path / "report" / "report.html").read_text()


def test_too_few_fish_are_refused_by_name_and_number(run: Run, policy: Path, tmp_path: Path) -> None:
    scores = write_csv(tmp_path / "scores.csv", snakeheads=40)
    done = run("calibrate", scores, "--policy", policy, "-o", tmp_path / "c.json")
    assert done.code == 1
    assert "No cutoff keeps the miss limit 0.05 for NSH: 40 individuals in role cut, 59 needed" in done.err
    assert "Image about 48 more (19 of them would reach cut)" in done.err  # 19 / 0.4, rounded up
    written = json.loads((tmp_path / "c.json").read_text())
    assert written["u"] is None
    assert "Infinity" not in (tmp_path / "c.json").read_text()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"swap": "prob:NHS"}, "only in the policy ['NSH'], only in the scores ['NHS']"),
        ({"swap": "nothing"}, "Probabilities do not sum to 1 in row 2"),
    ],
)
def test_wrong_columns_are_refused(
    run: Run, policy: Path, tmp_path: Path, change: dict[str, str], message: str
) -> None:
    scores = write_csv(tmp_path / "scores.csv", snakeheads=93, **change)
    done = run("calibrate", scores, "--policy", policy, "-o", tmp_path / "c.json")
    assert done.code == 1
    assert message in done.err
    assert not (tmp_path / "c.json").exists()


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("fish 0,AMS,0.2,0.8,\n", "Individual fish 0 has class 'NSH' and 'AMS'"),
        ("fish 900,AMS,0.2,0.9,\n", "Probabilities do not sum to 1 in row 202"),
        ("fish 900,AMS,much,0.9,\n", "prob:NSH is 'much' in row 202"),
        ("fish 900,AMS,0.2\n", "Row 202 has 3 cells"),
        ("fish 900,XXX,0.2,0.8,\n", "class is 'XXX' in row 202"),
        (",AMS,0.2,0.8,\n", "individual is empty in row 202"),
    ],
)
def test_bad_rows_are_refused_with_their_row(run: Run, policy: Path, tmp_path: Path, line: str, message: str) -> None:
    scores = write_csv(tmp_path / "scores.csv", snakeheads=93)
    scores.write_text(scores.read_text() + line)
    done = run("calibrate", scores, "--policy", policy, "-o", tmp_path / "c.json")
    assert done.code == 1
    assert message in done.err
    assert not (tmp_path / "c.json").exists()


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["calibrate"], 2, "Missing"),
        (["calibrate", "nothing.csv", "--policy", "nowhere.toml"], 1, "Scores file is missing (nothing.csv)"),
        (["nonsense"], 2, "No such command"),
        (["evaluate", "nothing.csv", "--cutoffs", "c.json"], 1, "missing"),
    ],
)
def test_wrong_use_is_one_message(run: Run, tmp_path: Path, words: list[str], code: int, message: str) -> None:
    done = run(*words, cwd=tmp_path)
    assert done.code == code
    assert message in done.err
    assert list(tmp_path.iterdir()) == []


def test_a_policy_with_a_slip_names_the_key(run: Run, policy: Path, tmp_path: Path) -> None:
    policy.write_text(POLICY.replace("miss_limit", "mis_limit"))
    done = run(
        "calibrate", write_csv(tmp_path / "s.csv", snakeheads=93), "--policy", policy, "-o", tmp_path / "c.json"
    )
    assert done.code == 1
    assert "mis_limit" in done.err
