"""Random faults while fish keep coming: nothing passes during a fault, and no line is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from passage_cv.service.plant import Position
from tests.service.causes import CAUSES, Cause, nothing
from tests.service.chaos import Chaos, require_nothing_lost, soak


@pytest.fixture(scope="module")
def chaos(package: Path, keys: Path, tmp_path_factory: pytest.TempPathFactory) -> Chaos:
    chaos = Chaos(package, keys, tmp_path_factory.mktemp("chaos"), seed=5)
    chaos.log._connection.execute("PRAGMA busy_timeout = 100")  # a lock of a second is waited for in the soak
    return chaos


@pytest.mark.parametrize("kind", CAUSES)
def test_a_fault_passes_nothing_and_is_mended_by_a_person(chaos: Chaos, kind: str) -> None:
    chaos.show_any_fish()
    suffered = chaos.suffer(kind)
    assert suffered.passes == 0
    assert (suffered.noticed_s is None) == (CAUSES[kind].fault is None)
    require_nothing_lost(chaos)


def test_the_soak_notices_a_fault_that_passes_a_fish(
    package: Path, keys: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chaos = Chaos(package, keys, tmp_path, seed=5)
    monkeypatch.setitem(CAUSES, "none", Cause(nothing, (Position.SAFE,)))
    with pytest.raises(AssertionError, match=r"Position\.PASS"):
        chaos.suffer("none")


def test_the_soak_notices_a_lost_line(package: Path, keys: Path, tmp_path: Path) -> None:
    chaos = Chaos(package, keys, tmp_path, seed=5)
    chaos.show_any_fish()
    chaos.lines_due += 1
    with pytest.raises(AssertionError):
        require_nothing_lost(chaos)


@pytest.mark.slow
def test_five_hundred_random_faults(package: Path, keys: Path, tmp_path: Path) -> None:
    assert {one.kind for one in soak(package, keys, tmp_path, 500, seed=6)} == set(CAUSES)
