"""Counts cut by property: they add up to the counts of the classes, and every value stands where it belongs."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.evaluation.assess import Assessment, assess
from passage_cv.evaluation.breakdown import PROPERTIES, Slice, size_classes, turbidity_classes
from passage_cv.evaluation.misses import GROUP_NAMES
from passage_cv.records import Action
from passage_cv.scores import Scores
from tests.worlds import five_class_policy, five_class_scores


@pytest.fixture(scope="module")
def scores() -> Scores:
    """Every property of format 3 filled in, the same for all images of a fish."""
    plain = five_class_scores(np.random.default_rng(3))
    _, fish = np.unique(plain.individual, return_inverse=True)
    rng = np.random.default_rng(4)
    text = {
        **plain.text,
        "site": np.array(["QMR-KBW-01", "LTB-HOL-02"])[rng.integers(0, 2, fish.max() + 1)][fish],
        "light": np.array(["day", "night", ""])[rng.integers(0, 3, fish.max() + 1)][fish],
        "recordedBy": np.array(["RKV", "TBO", "ELQ"])[rng.integers(0, 3, fish.max() + 1)][fish],
    }
    numbers = {
        **plain.numbers,
        "length_mm": rng.uniform(120, 760, fish.max() + 1)[fish],
        "turbidity_NTU": rng.choice([12.0, 35.0, 90.0, np.nan], fish.max() + 1)[fish],
    }
    return replace(plain, text=text, numbers=numbers)


@pytest.fixture(scope="module")
def cutoffs(scores: Scores) -> Cutoffs:
    return calibrate(scores, five_class_policy())


@pytest.fixture(scope="module")
def assessment(scores: Scores, cutoffs: Cutoffs) -> Assessment:
    return assess(scores, cutoffs)


def of(assessment: Assessment, by: str) -> list[Slice]:
    return [row for row in assessment.slices if row.by == by]


def test_every_property_with_a_value_is_there(assessment: Assessment) -> None:
    assert list(dict.fromkeys(row.by for row in assessment.slices)) == list(PROPERTIES)


@pytest.mark.parametrize("by", PROPERTIES)
def test_classes_add_up_to_their_groups_and_to_the_whole(assessment: Assessment, by: str) -> None:
    whole = {count.code: count for count in (*assessment.counts, *assessment.groups)}
    rows = of(assessment, by)
    for part in ("shown", "passed", "held", "rejected", "errors"):
        sums = Counter[str]()
        for row in rows:
            sums[row.count.code] += getattr(row.count, part)
        for code, total in sums.items():
            assert total == getattr(whole[code], part), (by, part, code)
    for value in {row.value for row in rows}:
        own = [row for row in rows if row.value == value]
        for group, name in GROUP_NAMES.items():
            classes = [row.count.shown for row in own if row.count.group == group and not row.is_group]
            totals = [row.count.shown for row in own if row.count.code == name]
            assert sum(classes) == sum(totals)


def test_groups_add_up_their_classes(assessment: Assessment) -> None:
    for total in assessment.groups:
        own = [count for count in assessment.counts if count.group == total.group]
        assert total.shown == sum(count.shown for count in own)
        assert total.errors == sum(count.errors for count in own)
        assert total.trips >= max(count.trips for count in own)


def test_a_slice_holds_the_fish_of_its_value(assessment: Assessment) -> None:
    judged = assessment.judged
    night = (judged.individuals.text["light"] == "night") & (judged.individuals.label == "NSH")
    row = next(row for row in of(assessment, "light") if row.value == "night" and row.count.code == "NSH")
    assert row.count.shown == night.sum()
    assert row.count.passed == (judged.actions[night] == Action.PASS).sum()
    assert row.count.trips == len(np.unique(judged.individuals.trip[night]))


def test_what_is_not_given_comes_last(assessment: Assessment) -> None:
    for by in ("light", "turbidity"):
        values = list(dict.fromkeys(row.value for row in of(assessment, by)))
        assert values[-1] == "not given"
        assert "not given" not in values[:-1]
    sizes = list(dict.fromkeys(row.value for row in of(assessment, "size")))
    assert sizes == sorted(sizes, key=lambda value: int(value.split()[0]))


def test_a_property_that_nobody_noted_is_left_out(scores: Scores, cutoffs: Cutoffs) -> None:
    unknown = np.full(len(scores), np.nan)
    bare = replace(
        scores,
        text={**scores.text, "light": np.full(len(scores), "")},
        numbers={**scores.numbers, "length_mm": unknown, "turbidity_NTU": unknown},
    )
    found = {row.by for row in assess(bare, cutoffs).slices}
    assert found == {"trip", "site", "set-up", "recorded by"}


@given(st.lists(st.floats(0, 2500), min_size=1, max_size=20))
def test_a_length_lies_in_its_class(lengths: list[float]) -> None:
    values = size_classes(np.array(lengths))
    for length, code in zip(lengths, values.codes, strict=True):
        low, _, high, _ = values.names[code].split()
        assert int(low) <= length < int(high) + 1


@pytest.mark.parametrize(("ntu", "name"), [(0, "up to 20"), (20, "up to 20"), (20.5, "above 20"), (51, "above 50")])
def test_turbidity_classes(ntu: float, name: str) -> None:
    values = turbidity_classes(np.array([ntu]))
    assert values.names[values.codes[0]].startswith(name)


def test_simultaneous_intervals_are_wider_by_the_number_of_classes(scores: Scores, cutoffs: Cutoffs) -> None:
    plain, all_at_once = (assess(scores, cutoffs, simultaneous=flag) for flag in (False, True))
    assert all_at_once.confidence == pytest.approx(1 - 0.05 / 5)
    for one, wide in zip(plain.counts, all_at_once.counts, strict=True):
        assert wide.interval[0] <= one.interval[0]
        assert wide.interval[1] >= one.interval[1]
        assert wide.upper >= one.upper
        assert (one.errors, one.shown) == (wide.errors, wide.shown)
