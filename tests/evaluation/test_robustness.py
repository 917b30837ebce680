"""Fixed cutoffs on fish in worse views: counts add up, and noise makes them pass or hold, as drawn."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.robustness import Robustness, count_left_out, count_levels, panels, write_robustness
from passage_cv.scores import Scores
from tests.worlds import five_class_policy, five_class_scores


@pytest.fixture(scope="module")
def scores() -> Scores:
    return five_class_scores(np.random.default_rng(3))


@pytest.fixture(scope="module")
def cutoffs(scores: Scores) -> Cutoffs:
    return calibrate(scores, five_class_policy())


def test_views_without_information_are_no_longer_named_rightly(scores: Scores, cutoffs: Cutoffs) -> None:
    train = scores.with_role("train")
    flat = replace(train, values=np.zeros_like(train.values))
    as_taken, worst = count_levels("turbidity", {1.0: train, 0.0: flat}, cutoffs)
    assert as_taken.fish == worst.fish == as_taken.excluded + as_taken.wanted
    assert as_taken.right > 0.9 * as_taken.fish
    assert worst.right < as_taken.right / 2
    assert worst.held == worst.fish  # logits that say nothing lie between the cutoffs
    assert worst.held_share == pytest.approx(1.0)


def test_each_trip_has_one_line_and_they_add_up(scores: Scores, cutoffs: Cutoffs) -> None:
    train = scores.with_role("train")
    lines = count_left_out("trip", train, cutoffs)
    assert [line.of for line in lines] == sorted(set(train.text["trip"].tolist()))
    whole = count_levels("all", {0.0: train}, cutoffs)[0]
    assert sum(line.missed for line in lines) == whole.missed
    assert sum(line.held for line in lines) == whole.held


def test_the_page_holds_every_line(scores: Scores, cutoffs: Cutoffs, tmp_path: Path) -> None:
    lines = count_levels("blur", {0.0: scores.with_role("train"), 3.0: scores.with_role("train")}, cutoffs)
    found = Robustness({"blur": lines}, count_left_out("trip", scores.with_role("train"), cutoffs), ())
    assert [row[0] for row in panels(found.sweeps)["blur"]] == [0.0, 3.0]
    page = write_robustness(found, tmp_path, figure=b"<svg/>", scales={"blur": "sigma"}, cutoffs=cutoffs)
    text = page.read_text()
    assert text.count("<tr><td>") == 2 + len(found.trips)
    assert (tmp_path / "sweeps.csv").read_text().count("blur") == 2
