"""The processes that train one network together (``torchrun``), or this one alone.

Comes in: what ``torchrun`` puts into the environment. Goes out: this process's share of a batch, sums over all.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import torch
from torch import Tensor, distributed

from passage_cv.parallel import worker_count


@dataclass(frozen=True, slots=True)
class Team:
    """Place of one process among ``size`` processes, and the device it works on."""

    rank: int
    size: int
    device: torch.device

    @property
    def is_first(self) -> bool:
        """Whether this process writes files and tells of progress."""
        return self.rank == 0

    @property
    def workers(self) -> int:
        """Processes that make batches for this one; on a machine without a card the network needs the cores."""
        return max(1, worker_count() // self.size) if self.device.type == "cuda" else 0

    def summed(self, values: Tensor) -> Tensor:
        """The sum over all processes."""
        if self.size > 1:
            distributed.all_reduce(values)
        return values

    def wait(self) -> None:
        """Until all are here."""
        if self.size > 1:
            distributed.barrier()


@contextmanager
def join_team() -> Iterator[Team]:
    """The team of this process; at the end all but the first process exit: nothing is left for them to do.

    A process that fails leaves without the others, which wait for it: that it is gone lets ``torchrun`` stop them.
    """
    rank, size = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    has_card = torch.cuda.is_available()
    device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", "0"))) if has_card else torch.device("cpu")
    if has_card:
        torch.cuda.set_device(device)
    if size == 1:
        yield Team(rank, size, device)
        return
    distributed.init_process_group("nccl" if has_card else "gloo")
    yield Team(rank, size, device)
    distributed.barrier()
    distributed.destroy_process_group()
    if rank:
        sys.exit(0)
