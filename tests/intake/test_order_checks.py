"""Pictures against the order of the sheet."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.intake.check import check_batch
from passage_cv.intake.order_checks import in_order
from passage_cv.records import Finding
from tests.batches import FACTS, trip_rows, write_batch

START = datetime(2031, 5, 12, tzinfo=UTC)


def moments(seconds: list[int]) -> list[datetime]:
    return [START + timedelta(seconds=s) for s in seconds]


@given(st.lists(st.integers(0, 30), max_size=9))
def test_a_longest_run_against_all_subsets(seconds: list[int]) -> None:
    kept = sorted(in_order(moments(seconds)))
    run = [seconds[i] for i in kept]
    assert run == sorted(run)
    longest = max(
        (
            bin(mask).count("1")
            for mask in range(2 ** len(seconds))
            if (chosen := [s for i, s in enumerate(seconds) if mask >> i & 1]) == sorted(chosen)
        ),
        default=0,
    )
    assert len(kept) == longest


def findings(tmp_path: Path, order: list[int]) -> list[Finding]:
    """Twelve fish of one event; fish ``i`` has the picture made in the ``order[i]``-th minute."""
    rows = trip_rows("T1", 12)
    for row, minute in zip(rows, order, strict=True):
        row["taken_at"] = (datetime.fromisoformat(FACTS["eventDate"]) + timedelta(minutes=minute)).isoformat()
    return list(check_batch(write_batch(tmp_path / "b", rows, FACTS)).findings)


def test_a_series_one_line_off_is_shown_with_its_rows(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, [0, 1, 2, 4, 5, 6, 3, 7, 8, 9, 10, 11])
    assert (finding.kind, finding.severity, finding.row) == ("pictures out of order", "please look", 8)
    assert "rows 5 to 8 may carry each other's pictures" in finding.message


@pytest.mark.parametrize("order", [list(range(12)), [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5]])
def test_pictures_in_order_are_left_alone(tmp_path: Path, order: list[int]) -> None:
    assert findings(tmp_path, order) == []


def test_a_sheet_in_no_order_of_time_says_nothing(tmp_path: Path) -> None:
    assert findings(tmp_path, [7, 2, 9, 0, 5, 11, 1, 8, 3, 10, 4, 6]) == []
