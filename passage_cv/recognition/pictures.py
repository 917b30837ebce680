"""Batches of crops for a network that learns: read, cropped and varied in worker processes, always in one order.

Comes in: an ordered plan of batches, each item a picture and the seed it is varied by (None: as the gate would see
it). Goes out: 8-bit crops, and the boxes that pictures fill in them. How many workers there are changes the speed
only.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.context import BaseContext
from typing import Any, NamedTuple

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.utils.data import DataLoader, Dataset, Sampler

from passage_cv.errors import InputError
from passage_cv.recognition.augment import Augmentation
from passage_cv.recognition.crop import CropSettings, Rgb, crop_image, placed_box

Item = tuple[str, int | None]
"""Name of a picture, and the seed it is varied by."""
Batch = list[Item]

Read = Callable[[str, int | None], Rgb]
"""From a name, and the longest side that is enough (None for every pixel), to a decoded picture."""

_BATCHES_AHEAD = 4


class Made(NamedTuple):
    """A batch: 8-bit crops (n, size, size, 3), and top, left, height and width (n, 4) of the picture in each."""

    crops: Tensor
    boxes: Tensor


class Pictures(Dataset[Made]):
    """Pictures by name; travels to worker processes.

    It holds no list of names: with more to send than a pipe takes at once (64 KiB on Linux), each worker would be
    waited for before the next one starts.

    Parameters
    ----------
    read
        How a picture is fetched.
    crop, augmentation
        What is done to it.
    """

    def __init__(self, read: Read, crop: CropSettings, augmentation: Augmentation) -> None:
        self.read = read
        self.crop = crop
        self.augmentation = augmentation

    def __getitems__(self, batch: Batch) -> Made | InputError:
        """A batch of crops, or why one of them cannot be made: an exception would lose its words on the way."""
        crops = np.empty((len(batch), self.crop.size, self.crop.size, 3), dtype=np.uint8)
        boxes = np.empty((len(batch), 4), dtype=np.int64)
        for place, (name, seed) in enumerate(batch):
            try:
                rgb = self.read(name, None if seed is None else self.crop.size)
            except InputError as error:
                return InputError(f"Picture {name[:12]}: {error.what}", do="Restore it, or exclude it.")
            crops[place] = crop_image(rgb, self.crop) if seed is None else self.augmentation.vary(rgb, seed)
            boxes[place] = placed_box(rgb.shape[0], rgb.shape[1], self.crop.size)
        return Made(torch.from_numpy(crops), torch.from_numpy(boxes))


class _Plan(Sampler[Batch]):
    """Batches that are exchanged between uses, so that workers live on from one fit to the next."""

    def __init__(self) -> None:
        self.batches: Iterable[Batch] = ()

    def __iter__(self) -> Iterator[Batch]:
        return iter(self.batches)


class PictureLoader:
    """Makes batches ahead of their use.

    Parameters
    ----------
    pictures
        What batches are made of.
    workers
        Processes to start; 0 makes batches in this one.
    pinned
        For a card: batches lie in memory that it copies from directly.
    """

    def __init__(self, pictures: Pictures, *, workers: int, pinned: bool) -> None:
        self._plan = _Plan()
        self._loader: DataLoader[Made] = DataLoader(
            pictures,
            batch_sampler=self._plan,
            num_workers=workers,
            collate_fn=_as_it_is,
            pin_memory=pinned,
            worker_init_fn=_one_thread,
            persistent_workers=workers > 0,
            prefetch_factor=_BATCHES_AHEAD if workers else None,
            generator=torch.Generator(),  # else it draws from the one that dropout draws from
            multiprocessing_context=_starting() if workers else None,
        )

    def batches(self, plan: Iterable[Batch]) -> Iterator[Made]:
        """Each batch of the plan, in its order.

        Raises
        ------
        InputError
            If a picture cannot be used.
        """
        self._plan.batches = plan
        for made in self._loader:
            if isinstance(made, InputError):
                raise made
            yield made


def _starting() -> BaseContext:
    """How workers start: never as a copy of this process, whose threads would be missing in it and can hang it.

    Where the system can, one clean process imports everything once and is copied.
    """
    if "forkserver" not in get_all_start_methods():
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(["__main__", __name__])
    return context


def _as_it_is(made: Any) -> Any:  # noqa: ANN401 - a whole batch comes already, whatever torch's types say
    return made


def _one_thread(worker: int) -> None:
    """Each worker is one of many: threads inside it would only compete."""
    del worker
    cv2.setNumThreads(0)
    torch.set_num_threads(1)
