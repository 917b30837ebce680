"""Writers that kill themselves: a child process accepts a batch and dies at a chosen write step.

Steps are the interpreter's own audit events for files of the store (open for writing, rename, link, remove,
make a folder), so nothing in the package knows that it is being killed.
"""

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Store
from passage_cv.intake.batch import CheckedBatch

_EVENTS = {"os.rename", "os.link", "os.remove", "os.mkdir"}
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT


def accept_and_die(batch: CheckedBatch, root: Path, at_step: int) -> bool:
    """Accept a batch in a child that is killed just before its ``at_step``-th write step (from 1).

    Returns whether it was killed; False means it had fewer steps and finished.
    """
    return was_killed(start_writer(batch, root, at_step))


def start_writer(batch: CheckedBatch, root: Path, at_step: int) -> int:
    """Start such a child, and return its process number."""
    return start_dying(lambda: accept_batch(batch, Store.open(root), author="TBO"), root, at_step)


def start_dying(work: Callable[[], object], root: Path, at_step: int) -> int:
    """Start a child that does some work on a store and is killed before its ``at_step``-th write step."""
    child = os.fork()
    if child:
        return child
    try:
        _kill_at(str(root), at_step)
        work()
        os._exit(0)
    except BaseException as error:  # whatever it is, the child must not run the parent's test on
        os.write(2, f"{error!r}\n".encode())
        os._exit(1)


def was_killed(child: int) -> bool:
    """Wait for a child, and tell whether it was killed; it must not have failed otherwise."""
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.WEXITSTATUS(status) == 0
    return False


def _kill_at(root: str, step: int) -> None:
    left = step

    def count(event: str, args: tuple[object, ...]) -> None:
        nonlocal left
        writes = event in _EVENTS or (event == "open" and isinstance(args[2], int) and args[2] & _WRITING)
        if writes and any(isinstance(arg, str | os.PathLike) and str(arg).startswith(root) for arg in args):
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(count)
