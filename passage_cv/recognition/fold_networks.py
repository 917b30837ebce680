"""Networks that had not seen a fold's fish, kept so that those fish can be asked about again.

Comes in: averaged weights of a fit after a judged epoch. Goes out: one safetensors file per fold in the run folder,
its head scaled to natural log-odds as the model's is, and such a file opened again as crops to logits.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from safetensors.numpy import load_file
from safetensors.torch import save_file
from torch import nn

from passage_cv.errors import InputError
from passage_cv.recognition.embed import Floats32, Run
from passage_cv.recognition.networks import build_network
from passage_cv.recognition.transforms import normalise
from passage_cv.recognition.tuned_settings import TunedSettings

HEAD = ("head.weight", "head.bias")

Tensors = Mapping[str, npt.NDArray[Any]]


def fold_file(number: int) -> str:
    """Name of a fold's network in a run folder."""
    return f"fold-{number}.safetensors"


def kept_average(folder: Path, fit: int, epoch: int) -> Path:
    """Where the averaged weights of an unfinished run's fit lie, as they were after an epoch."""
    return folder / f"average-{fit}-{epoch}.safetensors"


def keep_average(network: nn.Module, folder: Path, fit: int, epoch: int) -> None:
    """Write a network's weights; the file is there whole or not at all."""
    path = kept_average(folder, fit, epoch)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    save_file({name: one.detach().cpu().contiguous() for name, one in network.state_dict().items()}, part)
    part.replace(path)


def fold_tensors(folder: Path, n_folds: int, epoch: int, scale: float) -> dict[str, Tensors]:
    """Name of each fold's file to the tensors of its network after ``epoch``, logits multiplied by ``scale``."""
    found: dict[str, Tensors] = {}
    for number in range(n_folds):
        tensors = load_file(kept_average(folder, number, epoch))
        found[fold_file(number)] = tensors | {name: tensors[name] * np.float32(scale) for name in HEAD}
    return found


def open_fold(run: Path, number: int, settings: TunedSettings, n_classes: int) -> Run:
    """The network that had not seen a fold, from crops (n, size, size, 3) to logits (n, n_classes), on the CPU.

    Raises
    ------
    InputError
        If the run keeps no such file: runs made before 2026-11-26 do not.
    """
    path = run / fold_file(number)
    if not path.is_file():
        raise InputError(
            "The fine-tuned run keeps no networks that had not seen a fish: the gate's would look too good on its "
            "own train fish, and the fish of cut and test are not spent on this",
            where=str(path),
            do="Train again with the same settings; runs now keep the network of each fold.",
        )
    bare = settings.network.model_copy(update={"weights": "random", "weights_sha256": ""})
    network, _ = build_network(bare, n_classes)
    network.load_state_dict({name: torch.from_numpy(one) for name, one in load_file(path).items()})
    network.eval()

    @torch.inference_mode()
    def logits(crops: npt.NDArray[np.uint8]) -> Floats32:
        pixels = torch.from_numpy(crops).permute(0, 3, 1, 2).to(torch.float32)
        return np.asarray(network(normalise(pixels)).numpy(), dtype=np.float32)

    return logits
