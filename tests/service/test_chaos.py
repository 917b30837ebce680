"""Random faults while fish keep coming: nothing passes during a fault, and no line that was acted on is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.service.chaos import FAULTS, NO_LATCH, soak


def test_twenty_random_faults(package: Path, keys: Path, tmp_path: Path) -> None:
    suffered = soak(package, keys, tmp_path, 20, seed=5)
    assert len({one.fault for one in suffered}) >= 8
    assert all((one.noticed_s is None) == (one.fault in NO_LATCH) for one in suffered)


@pytest.mark.slow
def test_five_hundred_random_faults(package: Path, keys: Path, tmp_path: Path) -> None:
    assert {one.fault for one in soak(package, keys, tmp_path, 500, seed=6)} == set(FAULTS)
