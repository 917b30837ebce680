"""Networks that had not seen a fold's fish, kept so that those fish can be asked about again.

Comes in: averaged weights of a fit after a judged epoch, and what is familiar to that network. Goes out: one
safetensors file per fold in the run folder, its head scaled to natural log-odds as the model's is, and such a file
opened again as crops to what the network says.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
from passage_cv.recognition.familiarity import Unfamiliarity
from passage_cv.recognition.networks import Classifier, build_network
from passage_cv.recognition.transforms import normalise
from passage_cv.recognition.tuned_settings import TunedSettings

HEAD = ("head.weight", "head.bias")
SAYS = "unfamiliarity."
"""Begins the names of what is no weight of the network."""

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


def open_average(folder: Path, fit: int, epoch: int, settings: TunedSettings, n_classes: int) -> Classifier:
    """The network that :func:`keep_average` wrote, on the CPU in evaluation mode."""
    return _with_weights(load_file(kept_average(folder, fit, epoch)), settings, n_classes)


def fold_tensors(
    folder: Path, epoch: int, scale: float, unfamiliarity: Sequence[Unfamiliarity]
) -> dict[str, Tensors]:
    """Name of each fold's file to what it holds: its network after ``epoch``, and what says how unfamiliar a fish is.

    Parameters
    ----------
    folder
        Where averages were kept.
    epoch
        Of all folds.
    scale
        What logits are multiplied by.
    unfamiliarity
        One for each fold.
    """
    found: dict[str, Tensors] = {}
    for number, says in enumerate(unfamiliarity):
        tensors = load_file(kept_average(folder, number, epoch))
        scaled = {name: tensors[name] * np.float32(scale) for name in HEAD}
        found[fold_file(number)] = tensors | scaled | {SAYS + name: one for name, one in says.tensors().items()}
    return found


def open_fold(run: Path, number: int, settings: TunedSettings, n_classes: int) -> Run:
    """The network that had not seen a fold, on the CPU: from crops (n, size, size, 3) to logits (n, n_classes).

    Behind the logits stands how unfamiliar each crop is, where the run's networks say it; those of runs made before
    do not.

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
    tensors = load_file(path)
    says = {name.removeprefix(SAYS): one for name, one in tensors.items() if name.startswith(SAYS)}
    weights = {name: one for name, one in tensors.items() if not name.startswith(SAYS)}
    unfamiliarity = Unfamiliarity.of_tensors(says) if says else None
    network = _with_weights(weights, settings, n_classes)

    @torch.inference_mode()
    def say(crops: npt.NDArray[np.uint8]) -> Floats32:
        pixels = torch.from_numpy(crops).permute(0, 3, 1, 2).to(torch.float32)
        features = network.features(normalise(pixels))
        said = [network.head(features).numpy()]
        if unfamiliarity is not None:
            said.append(unfamiliarity.of(features.numpy())[:, None])
        return np.concatenate(said, axis=1).astype(np.float32)

    return say


def _with_weights(tensors: Tensors, settings: TunedSettings, n_classes: int) -> Classifier:
    bare = settings.network.model_copy(update={"weights": "random", "weights_sha256": ""})
    network, _ = build_network(bare, n_classes)
    network.load_state_dict({name: torch.from_numpy(one) for name, one in tensors.items()})
    return network.eval()
