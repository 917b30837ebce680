"""Our definition of the network is the published one."""

from pathlib import Path

import numpy as np
import pytest
import torch

from passage_cv.errors import InputError
from passage_cv.recognition.backbone import (
    EfficientNetLite0,
    SameConv,
    feature_count,
    load_backbone,
    registry_weights,
)


def test_the_weight_file_fits_tensor_by_tensor() -> None:
    given = torch.load(registry_weights(), weights_only=True)
    own = EfficientNetLite0().state_dict()
    assert len(given) == len(own) == 296
    assert [tuple(one.shape) for one in given.values()] == [tuple(one.shape) for one in own.values()]
    # the published names tell which layer a tensor belongs to: same kind of tensor at every place
    kinds = [[name.rpartition(".")[2] for name in names] for names in (given, own)]
    assert kinds[0] == kinds[1]


@pytest.mark.parametrize(
    ("side", "kernel", "stride", "first"),
    [(6, 3, 2, (0, 1)), (6, 5, 2, (1, 2)), (7, 3, 2, (1, 1)), (7, 5, 2, (2, 2)), (6, 3, 1, (1, 1))],
)
def test_padding_is_that_of_tensorflow(side: int, kernel: int, stride: int, first: tuple[int, int]) -> None:
    """SAME pads max((ceil(side / stride) - 1) * stride + kernel - side, 0), the odd pixel last [TensorFlow guide]."""
    layer = SameConv(1, 1, kernel, stride, bias=False)
    torch.nn.init.ones_(layer.weight)
    x = torch.rand(1, 1, side, side)
    before, after = first
    padded = torch.nn.functional.pad(x, (before, after, before, after))
    expected = torch.nn.functional.conv2d(padded, layer.weight, stride=stride)
    assert layer(x).shape[-1] == -(-side // stride)
    assert torch.equal(layer(x), expected)


def test_taps_come_in_their_order_and_only_their_stages_count() -> None:
    x = torch.rand(2, 3, 64, 64)
    every, _ = load_backbone(taps=tuple(range(8)))
    some, _ = load_backbone(taps=(3, 6))
    widths = [feature_count((tap,)) for tap in range(8)]
    assert widths == [16, 24, 40, 80, 112, 192, 320, 1280]  # channels of table 1, Tan & Le 2019
    starts = np.cumsum([0, *widths])
    with torch.no_grad():
        parts = [every(x)[:, starts[tap] : starts[tap + 1]] for tap in (3, 6)]
        assert torch.equal(some(x), torch.cat(parts, dim=1))


def test_a_file_that_is_another_network_is_refused(tmp_path: Path) -> None:
    torch.save({"weight": torch.zeros(2)}, tmp_path / "other.pth")
    with pytest.raises(InputError, match=r"Weights have 1 tensors, this network has 296 .*other\.pth"):
        load_backbone(tmp_path / "other.pth")
    with pytest.raises(InputError, match="Backbone weights are missing"):
        load_backbone(tmp_path / "absent.pth")


@pytest.mark.slow
@pytest.mark.parametrize("size", [160, 193, 224])
def test_it_equals_another_implementation_to_the_last_bit(size: int) -> None:
    timm = pytest.importorskip("timm", reason="timm is not a dependency; install it by hand to compare once more")
    other = timm.create_model("tf_efficientnet_lite0", pretrained=False).eval()
    given = torch.load(registry_weights(), weights_only=True)
    other.load_state_dict(dict(zip(other.state_dict(), given.values(), strict=True)))
    own, _ = load_backbone()
    x = torch.randn(2, 3, size, size, generator=torch.Generator().manual_seed(1))
    with torch.no_grad():
        assert torch.equal(own.imagenet_logits(x), other(x))
