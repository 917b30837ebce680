"""Run a pure function over a list in several processes; the seam for many machines.

A step that runs once per picture is a function from one item to one result, which catches what can go wrong
with that item itself. The default executor is a local pool of spawned processes; any
``concurrent.futures.Executor`` can be handed in instead. Items lost with a killed worker are run again, on this
machine whatever executor broke: those that were being worked on one at a time, so that a bad item cannot take
good ones with it, the others in a local pool.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, as_completed
from contextlib import ExitStack
from multiprocessing import get_context
from typing import TypeVar

from passage_cv.errors import InputError
from passage_cv.progress import Progress, silent

A = TypeVar("A")
R = TypeVar("R")


SUSPECTS_PER_WORKER = 2
"""Parts of the items that a pool has in hand per worker: one being worked on, one waiting in its queue."""


def worker_count() -> int:
    """Processes to start by default: the cores this process may use."""
    return max(1, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1)


def map_items(
    function: Callable[[A], R],
    items: Sequence[A],
    *,
    label: str = "Working",
    progress: Progress = silent,
    executor: Executor | None = None,
    chunk: int = 16,
) -> list[R]:
    """Apply ``function`` to each item and return the results in the items' order.

    Parameters
    ----------
    function
        A module-level function (it travels to other processes); must not raise for a bad item.
    items
        What to work on; small lists (at most ``chunk``) run in this process.
    executor
        Where to run; by default a pool of :func:`worker_count` spawned processes that ends with the call.
    chunk
        Items sent to a worker at once.

    Raises
    ------
    InputError
        If one single item kills its worker twice.
    """
    if executor is None and (len(items) <= chunk or worker_count() == 1):
        return [_counted(function, item, i, items, label, progress) for i, item in enumerate(items)]
    if executor is not None:
        return _run(function, items, executor, label, progress, chunk)
    with _pool(worker_count()) as pool:
        return _run(function, items, pool, label, progress, chunk)


def _counted(
    function: Callable[[A], R], item: A, index: int, items: Sequence[A], label: str, progress: Progress
) -> R:
    result = function(item)
    progress(label, index + 1, len(items))
    return result


def process_pool(workers: int | None = None) -> ProcessPoolExecutor:
    """A pool to hand to several calls of :func:`map_items`, which saves its start; close it with ``with``."""
    return _pool(workers or worker_count())


def _pool(workers: int) -> ProcessPoolExecutor:
    # spawn: a forked copy of a process that holds threads (OpenCV, ONNX Runtime) can hang.
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"))


def _apply(function: Callable[[A], R], items: Sequence[A]) -> list[R]:
    return [function(item) for item in items]


def _run(
    function: Callable[[A], R],
    items: Sequence[A],
    executor: Executor,
    label: str,
    progress: Progress,
    chunk: int,
) -> list[R]:
    parts = {start: items[start : start + chunk] for start in range(0, len(items), chunk)}
    found: dict[int, list[R]] = {}

    def keep(start: int, results: list[R]) -> None:
        found[start] = results
        progress(label, sum(len(part) for part in found.values()), len(items))

    progress(label, 0, len(items))
    _run_together(function, parts, executor, keep)
    while lost := [start for start in parts if start not in found]:
        suspects = lost[: SUSPECTS_PER_WORKER * worker_count()]
        for start, results in _run_apart(function, {start: parts[start] for start in suspects}):
            keep(start, results)
        with _pool(worker_count()) as pool:
            _run_together(function, {start: parts[start] for start in lost if start not in found}, pool, keep)
    return [result for start in parts for result in found[start]]


def _run_together(
    function: Callable[[A], R],
    parts: Mapping[int, Sequence[A]],
    executor: Executor,
    keep: Callable[[int, list[R]], None],
) -> None:
    """Run parts of the items in an executor; those that a killed worker takes with it are not kept."""
    try:
        waiting: dict[Future[list[R]], int] = {
            executor.submit(_apply, function, part): start for start, part in parts.items()
        }
    except BrokenExecutor:
        return
    for future in as_completed(waiting):
        try:
            results = future.result()
        except BrokenExecutor:
            continue
        keep(waiting[future], results)


def _run_apart(function: Callable[[A], R], parts: Mapping[int, Sequence[A]]) -> Iterator[tuple[int, list[R]]]:
    """Run items one after the other in one process of their own, and in a new one where an item ends it."""
    with ExitStack() as pools:
        pool = pools.enter_context(_pool(1))
        for start, part in parts.items():
            results = []
            for item in part:
                try:
                    results.append(pool.submit(function, item).result())
                except BrokenExecutor:
                    pool = pools.enter_context(_pool(1))
                    results.append(_run_again(function, item, pool))
            yield start, results


def _run_again(function: Callable[[A], R], item: A, pool: Executor) -> R:
    try:
        return pool.submit(function, item).result()
    except BrokenExecutor as error:
        raise InputError(
            f"This item ends the process that works on it: {item!r}",
            do="Take it out by name, with the reason, and run again.",
        ) from error
