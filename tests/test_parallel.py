"""Items lost with a killed worker are run again, and one that kills every worker is named."""

import os
import signal
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

import pytest

from passage_cv.errors import InputError
from passage_cv.parallel import map_items, process_pool

R = TypeVar("R")


def square_but_die_once(item: tuple[int, str]) -> int:
    """The square; the process that first meets 23 is killed as by the system for want of memory."""
    number, folder = item
    mark = Path(folder) / "died"
    if number == 23 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number**2


def die_at_seven(number: int) -> int:
    if number == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def test_a_killed_workers_items_are_run_again(tmp_path: Path) -> None:
    told: list[int] = []
    items = [(number, str(tmp_path)) for number in range(100)]
    with process_pool(2) as pool:
        found = map_items(
            square_but_die_once, items, executor=pool, chunk=8, progress=lambda *counted: told.append(counted[1])
        )
    assert found == [number**2 for number in range(100)]
    assert (tmp_path / "died").exists()
    assert told == sorted(told)
    assert told[-1] == 100


def test_an_item_that_kills_every_worker_is_named() -> None:
    with process_pool(2) as pool, pytest.raises(InputError, match="ends the process that works on it: 7"):
        map_items(die_at_seven, list(range(40)), executor=pool, chunk=4)


class Farm(Executor):
    """An executor of somebody else's, whose machine is lost after a few parts; threads stand in for it."""

    def __init__(self, survives: int) -> None:
        self.left, self.threads = survives, ThreadPoolExecutor(1)

    def submit(self, fn: Callable[..., R], /, *args: object, **kwargs: object) -> Future[R]:
        self.left -= 1
        if self.left >= 0:
            return self.threads.submit(fn, *args, **kwargs)
        lost: Future[R] = Future()
        lost.set_exception(BrokenExecutor("the machine is gone"))
        return lost


def plus_one(number: int) -> int:
    return number + 1


@pytest.mark.parametrize("survives", [0, 2])
def test_what_any_executor_loses_is_run_here(survives: int) -> None:
    numbers = list(range(40))
    assert map_items(plus_one, numbers, executor=Farm(survives), chunk=8) == [number + 1 for number in numbers]
