"""Which pictures go along: train only, gate views only, a few individuals of each class, always the same."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pytest

from passage_cv.gate.picking import pick_reference_pictures
from tests.worlds import five_class_policy

POLICY = five_class_policy()
NAMES = {rule.code: rule.scientific_name for rule in POLICY.classes}


@dataclass
class FakeVersion:
    """The things that picking asks of a version; its store has no later one, in which consent was withdrawn."""

    rows: list[dict[str, object]]

    @property
    def store(self) -> FakeVersion:
        return self

    @property
    def storage(self) -> FakeVersion:
        return self

    def names(self, folder: str) -> list[str]:
        return []

    def table(self) -> pa.Table:
        return pa.Table.from_pylist(self.rows)

    def object_path(self, sha256: str) -> Path:
        return Path(sha256)


def row(individual: str, code: str, order: int, **changes: object) -> dict[str, object]:
    return {
        "scientificName": NAMES.get(code, code),
        "individual": individual,
        "sheet_order": order,
        "image_sha256": f"{individual}/{order}",
        "role": "train",
        "purpose": "gate view",
        **changes,
    }


def picked(rows: list[dict[str, object]], **options: int) -> list[str]:
    return [str(one.path) for one in pick_reference_pictures(FakeVersion(rows), POLICY, **options)]  # type: ignore[arg-type]


def test_two_individuals_of_each_class_with_their_views_in_order() -> None:
    rows = [row(f"F{n}", code, view) for code in NAMES for n in (3, 1, 2) for view in (2, 1)]
    for one in rows:
        one["individual"] = f"{one['scientificName']}-{one['individual']}"
        one["image_sha256"] = f"{one['individual']}/{one['sheet_order']}"
    found = picked(rows)
    assert len(found) == 5 * 2 * 2
    assert found[:4] == [f"Alosa sapidissima-F{n}/{view}" for n in (1, 2) for view in (1, 2)]


@pytest.mark.parametrize(
    "change",
    [{"role": "cut"}, {"role": "test"}, {"role": "excluded"}, {"purpose": "voucher"}, {"scientificName": "X"}],
)
def test_what_stays_in_the_store(change: dict[str, object]) -> None:
    assert picked([row("F1", "NSH", 1), row("F2", "NSH", 2, **change)]) == ["F1/1"]


def test_no_more_views_than_the_gate_takes() -> None:
    assert len(picked([row("F1", "NSH", view) for view in range(9)])) == POLICY.views.max


def test_the_order_of_the_rows_does_not_matter() -> None:
    rows = [row(f"F{n}", "NSH", view) for n in range(9) for view in range(2)]
    assert picked(rows) == picked(rows[::-1])


def test_more_on_request() -> None:
    assert len(picked([row(f"F{n}", "NSH", 0) for n in range(9)], per_class=4)) == 4
