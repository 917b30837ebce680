"""Tables of numbers that our code did not make: ``id,quantity,<inputs>,expected,digits,tag,source``.

A test module names its table (``TABLE = "binomial"``) and takes ``row`` and ``agrees``. ``expected`` may hold
several numbers, separated by spaces, and ``digits`` as many counts of decimals (or one for all).
"""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

HERE = Path(__file__).parent
Row = dict[str, str]


def read_rows(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "row" in metafunc.fixturenames:
        rows = read_rows(HERE / f"{metafunc.module.TABLE}.csv")
        metafunc.parametrize("row", rows, ids=[row["id"] for row in rows])


def check_agreement(row: Row, *computed: float) -> None:
    """Each computed number lies within half a unit of the last printed digit."""
    expected = [float(word) for word in row["expected"].split()]
    digits = [int(word) for word in row["digits"].split()]
    digits = digits * len(expected) if len(digits) == 1 else digits
    assert len(computed) == len(expected) == len(digits), row["id"]
    for found, printed, places in zip(computed, expected, digits, strict=True):
        slack = 0.5 * 10.0**-places * (1 + 1e-9)
        assert abs(found - printed) <= slack, f"{found} is not {printed}: {row['tag']}, {row['source']}"


@pytest.fixture
def agrees() -> Callable[..., None]:
    return check_agreement


@pytest.fixture
def tables() -> dict[str, list[Row]]:
    return {path.stem: read_rows(path) for path in sorted(HERE.glob("*.csv"))}


@pytest.fixture
def numbers() -> Callable[[str], list[float] | list[list[float]]]:
    """Parse ``1 2 / 3 4`` into rows of numbers, ``1 2`` into one row."""

    def parse(text: str) -> list[float] | list[list[float]]:
        rows = [[float(word) for word in part.split()] for part in text.split("/")]
        return rows if len(rows) > 1 else rows[0]

    return parse
