"""Sweeps: on train fish only, one thing moved at a time, monotone where the method says so."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from passage_cv.decision.demands import Demands
from passage_cv.decision.sweep import FACTORS, Row, Trial, needed_rows, sweep_tables, trial_of
from passage_cv.errors import InputError
from passage_cv.scores import Scores
from tests.worlds import CODES, five_class_policy, five_class_scores


@pytest.fixture(scope="module")
def scores() -> Scores:
    return five_class_scores(np.random.default_rng(12), separation=3.0)


@pytest.fixture(scope="module")
def started(scores: Scores) -> tuple[Trial, Demands]:
    return trial_of(scores, five_class_policy())


@pytest.fixture(scope="module")
def tables(started: tuple[Trial, Demands]) -> dict[str, list[Row]]:
    return sweep_tables(*started)


def column(rows: list[Row], name: str, moved: str | None = None) -> list[float]:
    return [float(row[name]) for row in rows if moved in (None, row["moved"])]  # type: ignore[arg-type]


def rising(values: list[float]) -> bool:
    return all(second >= first - 1e-9 for first, second in pairwise(values))


def test_scores_of_cut_and_test_are_never_read(scores: Scores, tables: dict[str, list[Row]]) -> None:
    ruined = replace(scores, values=np.where((scores.role == "train")[:, None], scores.values, 7.0))
    assert sweep_tables(*trial_of(ruined, five_class_policy())) == tables


def test_nothing_moved_is_everywhere_the_same(tables: dict[str, list[Row]]) -> None:
    unmoved = [
        *(row for row in tables["limits"] if row["value"] == pytest.approx(0.05)),
        *(row for row in tables["hold-cost"] if row["value"] == 1.0),
        *(row for row in tables["capacity"] if row["value"] == 1.0),
    ]
    assert len(unmoved) == 5
    assert len({(row["pass_below"], row["reject_above"], row["expected_cost"]) for row in unmoved}) == 1


def test_a_looser_limit_never_costs_more(tables: dict[str, list[Row]]) -> None:
    for moved in {str(row["moved"]) for row in tables["limits"]}:
        assert rising(column(tables["limits"], "expected_cost", moved)[::-1])


def test_a_stricter_limit_needs_more_fish(tables: dict[str, list[Row]]) -> None:
    for moved in {str(row["moved"]) for row in tables["limits"]}:
        assert rising(column(tables["limits"], "needed_in_cut", moved)[::-1])
        rows = [row for row in tables["limits"] if row["moved"] == moved]
        for row in rows:
            missing = max(0, int(row["needed_in_cut"]) - int(row["in_cut"]))  # type: ignore[call-overload]
            assert row["missing_in_cut"] == missing


def test_dearer_holds_never_hold_more(tables: dict[str, list[Row]]) -> None:
    assert rising(column(tables["hold-cost"], "held")[::-1])
    assert rising(column(tables["hold-cost"], "expected_cost"))


def test_less_capacity_never_costs_less(tables: dict[str, list[Row]]) -> None:
    kept = [row for row in tables["capacity"] if row["capacity_met"]]
    assert len(kept) >= 2
    assert rising(column(kept, "expected_cost")[::-1])
    assert all(float(row["held"]) <= float(row["value"]) + 1e-9 for row in kept)  # type: ignore[arg-type]


def test_every_class_is_moved_by_every_factor(tables: dict[str, list[Row]]) -> None:
    assert [(row["moved"]) for row in tables["costs"]] == [code for code in CODES for _ in FACTORS]


def test_needed_numbers_are_those_of_the_method(started: tuple[Trial, Demands]) -> None:
    """72 where delta is halved (formats 5); to image: over the share that reaches cut."""
    rows = needed_rows(*started)
    assert [row["needed_in_cut"] for row in rows] == [72, 72, 72]
    few, demands = trial_of(five_class_scores(np.random.default_rng(1), per_class=100), five_class_policy())
    short = needed_rows(few, demands)[0]
    missing = int(short["missing_in_cut"])  # type: ignore[call-overload]
    assert missing == 72 - few.in_cut["NSH"] > 0
    assert short["to_image"] == int(np.ceil(missing / 0.4))


def test_without_train_fish_nothing_can_be_tried(scores: Scores) -> None:
    with pytest.raises(InputError, match="No individual has role train"):
        trial_of(scores.where(scores.role != "train"), five_class_policy())
