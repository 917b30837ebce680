"""The report: whole without a network, the same numbers everywhere, no zero without its bound, every picture told."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.decision.calibrate import calibrate
from passage_cv.errors import InputError
from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.report import evaluation_values, percent, write_report
from passage_cv.pipeline import evaluate_scores
from passage_cv.scores import Scores
from tests.evaluation.pages import Page
from tests.evaluation.small_world import small_cutoffs, small_scores
from tests.worlds import five_class_policy, five_class_scores

PIXEL = bytes.fromhex("89504e470d0a1a0a")  # enough of a PNG to be recognised as one
NAMES = {"NSH": "Channa argus", "AMS": "Alosa sapidissima"}


@pytest.fixture(scope="module")
def scores() -> Scores:
    return five_class_scores(np.random.default_rng(3), meta={"version": "000002-abcdef012345"})


@pytest.fixture(scope="module")
def folder(scores: Scores, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report")
    assessment = assess(scores, calibrate(scores, five_class_policy(), author="RKV"))
    write_report(assessment, out, names=NAMES, picture=lambda _: PIXEL, notes=["Invented data."])
    return out


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    return Page((folder / "report.html").read_text(encoding="utf-8"))


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_a_browser_fetches_nothing(page: Page, folder: Path) -> None:
    assert page.fetched() == []
    source = (folder / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"(?:url\(|@import|fetch\(|XMLHttpRequest)[^)]*http", source)


def test_every_picture_is_told_in_words(page: Page) -> None:
    pictures = page.named("img")
    assert len(pictures) >= 4
    assert all((picture.get("alt") or "").strip() for picture in pictures)


def test_page_names_site_version_author_and_notes(page: Page) -> None:
    for words in ("QMR-KBW-01", "000002-abcdef012345", "by RKV", "Invented data.", "Channa argus"):
        assert words in page.text


def test_csv_equals_json(folder: Path) -> None:
    values = json.loads((folder / "evaluation.json").read_text(encoding="utf-8"))
    tables = {"classes": [*values["classes"], *values["groups"]]}
    for name in ("breakdown", "leave_one_trip_out", "wrong_labels", "worst_cases", "roles", "policy"):
        tables[name] = values[name]
    for name, expected_rows in tables.items():
        rows = rows_of(folder / f"{name.replace('_', '-')}.csv")
        assert len(rows) == len(expected_rows) > 0, name
        for row, expected in zip(rows, expected_rows, strict=True):
            assert row == {key: "" if value is None else str(value) for key, value in expected.items()}, name


def test_page_shows_the_counts_of_the_json(page: Page, folder: Path) -> None:
    for row in json.loads((folder / "evaluation.json").read_text(encoding="utf-8"))["classes"]:
        shown = page.row(row["class"])
        for key in ("individuals", "passed", "held", "rejected"):
            assert str(row[key]) in shown, (row["class"], key)


def test_no_zero_stands_without_its_bound(page: Page) -> None:
    """Decision-method 9: a row that says 0 % also says up to how much the rate may be."""
    bounded = re.compile(r"to \d[\d.]* %|at most \d[\d.]* %|up to \d[\d.]* %")
    zeros = [row for row in page.rows if any(cell == "0 %" for cell in row)]
    assert zeros, "this world has a class without an error"
    for row in zeros:
        assert any(bounded.search(cell) for cell in row), row


def test_unchecked_says_so_first(scores: Scores, tmp_path: Path) -> None:
    only_cut = scores.where(scores.role != "test")
    write_report(assess(only_cut, calibrate(only_cut, five_class_policy())), tmp_path)
    text = Page((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "Unchecked: the fish that set the cutoffs" in text
    assert "prove nothing" in text
    assert json.loads((tmp_path / "evaluation.json").read_text())["checked"] is False


def test_unmet_limits_stand_on_the_first_page_with_their_numbers(tmp_path: Path) -> None:
    few = five_class_scores(np.random.default_rng(1), per_class=60)
    cutoffs = calibrate(few, five_class_policy())
    write_report(assess(few, cutoffs), tmp_path)
    text = Page((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "3 of 3 limits could not be shown" in text
    assert "nothing passes" in text
    assert "nothing is rejected" in text
    for limit in cutoffs.unmet:
        assert f"image about {limit.missing_to_image} more" in text


def test_ready_gate_scores_give_the_same_report(tmp_path: Path) -> None:
    scores = small_scores()
    write_report(assess(scores, small_cutoffs(scores)), tmp_path)
    page = Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert page.row("NSH")[2:9] == ["10", "2", "1", "2", "7", "1", "10.0 %"]
    assert page.row("unknown")[2:8] == ["3", "1", "0", "2", "1", "1"]
    values = json.loads((tmp_path / "evaluation.json").read_text(encoding="utf-8"))
    assert values["accuracy_individual"] is None


def test_twice_gives_the_same_bytes(scores: Scores, tmp_path: Path) -> None:
    assessment = assess(scores, calibrate(scores, five_class_policy()))
    for name in ("first", "second"):
        write_report(assessment, tmp_path / name)
    for path in (tmp_path / "first").iterdir():
        assert path.read_bytes() == (tmp_path / "second" / path.name).read_bytes(), path.name


def test_names_from_outside_cannot_write_into_the_page(tmp_path: Path) -> None:
    scores = small_scores(role="test")
    assessment = assess(scores, small_cutoffs(scores))
    write_report(assessment, tmp_path, names={"NSH": "<script>alert(1)</script>"}, notes=["<b>bold</b>"])
    source = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<script>alert" not in source
    assert "<b>bold" not in source


def test_json_has_no_infinity(folder: Path) -> None:
    source = (folder / "evaluation.json").read_text(encoding="utf-8")
    json.loads(source, parse_constant=pytest.fail)


def test_missing_scores_are_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Scores file is missing"):
        evaluate_scores(tmp_path / "none.csv", tmp_path / "cutoffs.json", tmp_path / "out")


@given(st.floats(0, 1))
def test_an_upper_limit_is_never_rounded_down(rate: float) -> None:
    shown = float(percent(rate, up=True).removesuffix(" %"))
    assert 100 * rate - 1e-9 <= shown <= 100 * rate + 0.1


@given(st.floats(0, 1))
def test_a_confidence_is_never_rounded_up(confidence: float) -> None:
    shown = float(percent(confidence, down=True).removesuffix(" %"))
    assert 100 * confidence - 0.1 <= shown <= 100 * confidence + 1e-9


@given(st.floats(0, 1))
def test_a_rate_is_zero_percent_only_when_it_is_zero(rate: float) -> None:
    assert (percent(rate) == "0 %") == (rate == 0)


def test_values_name_every_limit(scores: Scores) -> None:
    values = evaluation_values(assess(scores, calibrate(scores, five_class_policy())))
    assert [(limit["class"], limit["kind"]) for limit in values["limits"]] == [
        ("NSH", "miss"),
        ("BCF", "miss"),
        ("SNS", "false rejection"),
    ]
