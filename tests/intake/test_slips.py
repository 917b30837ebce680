"""Proposals for slips of the pen."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.intake.names import shipped_names
from passage_cv.intake.slips import code_neighbours, edit_distance, propose_names

words = st.text("ABCW", max_size=7)


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [("WPE", "WPH", 1), ("WPE", "WEP", 1), ("WPE", "WPEE", 1), ("WPE", "PE", 1), ("ABC", "CAB", 2), ("", "AB", 2)],
)
def test_distances_by_hand(one: str, other: str, apart: int) -> None:
    assert edit_distance(one, other, most=3) == apart


@given(words, words, words)
def test_distance_is_symmetric_and_zero_only_for_the_same(one: str, other: str, third: str) -> None:
    assert edit_distance(one, other, most=9) == edit_distance(other, one, most=9)
    assert (edit_distance(one, other, most=9) == 0) == (one == other)
    assert edit_distance(one, third, most=9) <= len(one) + len(third)


@given(words, words, st.integers(0, 4))
def test_a_bound_changes_no_distance_below_it(one: str, other: str, most: int) -> None:
    assert min(edit_distance(one, other, most=9), most + 1) == edit_distance(one, other, most=most)


def names_of(text: str, counts: dict[str, int] | None = None) -> list[str]:
    return [one.scientific_name for one in propose_names(text, shipped_names(), counts or {})]


def test_proposals_are_near_and_the_commoner_first() -> None:
    assert names_of("Chana argus") == ["Channa argus"]
    assert names_of("nothern snakehead") == ["Channa argus"]
    assert names_of("Ictalurus catis") == ["Ameiurus catus"]  # a slip in a synonym
    assert names_of("WPH", {"Morone americana": 40})[0] == "Morone americana"
    assert names_of("zzzzzzzz") == []


def test_neighbours_of_a_code() -> None:
    bcf = shipped_names().find("BCF")
    assert bcf is not None
    near = {one.code for one in code_neighbours(bcf, shipped_names())}
    assert {"CCF", "WCF"} <= near
    assert "BCF" not in near
