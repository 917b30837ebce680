"""Networks to fine-tune: the registry's, or any classification network of torchvision by name, without last layer.

Comes in: normalised crops (n, 3, size, size), -1 to 1. Goes out: features of each crop, to which a linear head is
attached. Where weights came from and their hash travel with the network into the run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeGuard
from urllib.error import URLError

import torch
import torchvision
from torch import Tensor, nn

from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.recognition.backbone import HEAD_CHANNELS, IMAGENET_CLASSES, EfficientNetLite0, load_backbone
from passage_cv.recognition.tuned_settings import REGISTRY_NETWORK, NetworkSettings

IMAGENET_MEAN = (0.485, 0.456, 0.406)
IMAGENET_DEVIATION = (0.229, 0.224, 0.225)
"""Of pixels in [0, 1], as torchvision's weights were trained [torchvision's own documentation]."""

WITHOUT_SIDE_HEADS: Mapping[str, Mapping[str, object]] = {
    "googlenet": {"aux_logits": False, "init_weights": False},
    "inception_v3": {"aux_logits": False, "init_weights": False},
}
"""Networks of torchvision that have more than one head unless asked otherwise (its documentation)."""


class Classifier(nn.Module):
    """A network with a linear head: normalised crops to logits (n, n_classes)."""

    def __init__(self, features: nn.Module, n_features: int, n_classes: int, drop_features: float) -> None:
        super().__init__()
        self.features = features
        self.dropout = nn.Dropout(drop_features)
        self.head = nn.Linear(n_features, n_classes)
        nn.init.normal_(self.head.weight, std=0.01)
        nn.init.zeros_(self.head.bias)

    def forward(self, x: Tensor) -> Tensor:
        """Logits of each crop."""
        logits: Tensor = self.head(self.dropout(self.features(x)))
        return logits


class FromHalfRange(nn.Module):
    """A network that wants pixels by ImageNet's mean and deviation, given pixels from -1 to 1."""

    factor: Tensor
    offset: Tensor

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network
        mean, deviation = (torch.tensor(v).view(1, 3, 1, 1) for v in (IMAGENET_MEAN, IMAGENET_DEVIATION))
        self.register_buffer("factor", 0.5 / deviation, persistent=False)
        self.register_buffer("offset", (0.5 - mean) / deviation, persistent=False)

    def forward(self, x: Tensor) -> Tensor:
        """Features of each crop."""
        features: Tensor = self.network(x * self.factor + self.offset)
        return features


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the first weights came from, for the run: words a reader understands, and the file's hash."""

    weights: str
    sha256: str


def build_network(settings: NetworkSettings, n_classes: int) -> tuple[Classifier, Origin]:
    """The network of the settings with its first weights and a fresh head.

    The head, and all weights where they are ``random``, are drawn from torch's generator: seed it first.

    Raises
    ------
    InputError
        If the network is not known or has no single last layer, or its weights are missing, unreachable or others
        than those named.
    """
    if settings.name == REGISTRY_NETWORK:
        features, n_features, origin = _registry_network(settings)
    else:
        features, n_features, origin = _torchvision_network(settings)
    if settings.weights_sha256 and origin.sha256 != settings.weights_sha256:
        raise InputError(
            f"Weights have hash {origin.sha256[:12]}, the settings name {settings.weights_sha256[:12]}",
            where=origin.weights,
            do="Install or copy the weights the settings were made for, or name this hash.",
        )
    return Classifier(features, n_features, n_classes, settings.drop_features), origin


def _registry_network(settings: NetworkSettings) -> tuple[nn.Module, int, Origin]:
    if settings.weights == "random":
        return _without_classifier(EfficientNetLite0()), HEAD_CHANNELS, Origin("random", "")
    given = None if settings.weights == "package" else Path(settings.weights)
    network, sha256 = load_backbone(given)
    network.requires_grad_(True)  # noqa: FBT003 - torch's own signature
    return _without_classifier(network), HEAD_CHANNELS, Origin(settings.weights, sha256)


def _without_classifier(network: EfficientNetLite0) -> EfficientNetLite0:
    """The 1000-class layer takes no part in features; without it no weights are kept that never learn."""
    del network.classifier
    return network


def _torchvision_network(settings: NetworkSettings) -> tuple[nn.Module, int, Origin]:
    known = torchvision.models.list_models(module=torchvision.models)
    if settings.name not in known:
        raise InputError(
            f"Network {settings.name!r} is not known",
            where="network.name",
            do=f"Name {REGISTRY_NETWORK} or one of torchvision's {len(known)} classification networks, "
            "for example resnet50.",
        )
    network = torchvision.models.get_model(settings.name, weights=None, **WITHOUT_SIDE_HEADS.get(settings.name, {}))
    origin = _load_weights(network, settings)
    n_features = _cut_last_layer(network, settings.name)
    return FromHalfRange(network), n_features, origin


def _load_weights(network: nn.Module, settings: NetworkSettings) -> Origin:
    if settings.weights == "random":
        return Origin("random", "")
    path = _downloaded(settings.name) if settings.weights == "torchvision" else Path(settings.weights)
    if not path.is_file():
        raise InputError(
            "Weights are missing", where=str(path), do="Copy the file there, or correct network.weights."
        )
    try:
        state = torch.load(path, weights_only=True, map_location="cpu")
        network.load_state_dict(_without_side_heads(state, settings.name))
    except RuntimeError as error:
        raise InputError(
            f"Weights are not those of {settings.name}", where=str(path), do="Give a state_dict of this network."
        ) from error
    return Origin(settings.weights if settings.weights == "torchvision" else path.name, sha256_file(path))


def _without_side_heads(state: dict[str, Tensor], name: str) -> dict[str, Tensor]:
    """The weights less those of heads that only helped a network to its first weights."""
    if name not in WITHOUT_SIDE_HEADS:
        return state
    return {key: one for key, one in state.items() if not key.lower().startswith("aux")}


def _downloaded(name: str) -> Path:
    """Torchvision's best weights of a network, in torch's own cache; the file's name holds the start of its hash."""
    url: str = torchvision.models.get_model_weights(name).DEFAULT.url
    path = Path(torch.hub.get_dir()) / "checkpoints" / url.rsplit("/", 1)[1]
    try:
        torch.hub.load_state_dict_from_url(url, check_hash=True, progress=False, map_location="cpu")
    except (URLError, OSError) as error:
        raise InputError(
            f"Weights of {name} cannot be downloaded: {error}",
            where=url,
            do=f"Copy the file to {path} by hand, or name weights 'package', a file or 'random'.",
        ) from error
    return path


def _cut_last_layer(network: nn.Module, name: str) -> int:
    """Replace the last layer, a linear one or a convolution of single pixels, by nothing; its number of inputs."""
    last = [(path, layer) for path, layer in network.named_modules() if _names_classes(layer)]
    if len(last) != 1:
        raise InputError(
            f"Network {name} has {len(last)} layers that name classes, one is needed",
            where="network.name",
            do="Name another, as resnet50.",
        )
    path, layer = last[0]
    parent, _, own = path.rpartition(".")
    setattr(network.get_submodule(parent), own, nn.Identity())
    return int(layer.in_features if isinstance(layer, nn.Linear) else layer.in_channels)


def _names_classes(layer: nn.Module) -> TypeGuard[nn.Linear | nn.Conv2d]:
    if isinstance(layer, nn.Linear):
        return layer.out_features == IMAGENET_CLASSES
    return isinstance(layer, nn.Conv2d) and layer.out_channels == IMAGENET_CLASSES
