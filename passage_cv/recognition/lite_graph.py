"""The registry's network as an ONNX graph, written layer by layer: a fifth of a second instead of ten.

Comes in: the network with whatever weights it has. Goes out: the model that ``export.export_backbone`` would get from
torch's exporter, which knows every network and is slow because it does: a test holds the two against each other.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import onnx
from onnx import helper, numpy_helper
from torch import Tensor, nn

from passage_cv.recognition.backbone import Block, EfficientNetLite0, SameConv, feature_count
from passage_cv.recognition.model import EMBEDDING, INPUT
from passage_cv.recognition.transforms import HALF_RANGE

RELU6_LARGEST = 6.0


def write_lite(network: EfficientNetLite0, size: int, *, opset: int, ir_version: int) -> onnx.ModelProto:
    """The model from 8-bit crops (n, size, size, 3) to the features of the network's taps.

    Parameters
    ----------
    network
        In evaluation mode: normalisation layers are folded into the convolutions before them.
    size
        Side of a crop in pixels; every padding depends on it.
    opset, ir_version
        Of the file.
    """
    graph = _Graph()
    x = graph.normalised(INPUT)
    x, side = graph.layers(x, network.stem, size)
    pooled = []
    for index, stage in enumerate([*network.stages, network.last][: max(network.taps) + 1]):
        x, side = graph.layers(x, stage, side)
        if index in network.taps:
            pooled.append(graph.node("ReduceMean", [x, graph.axes], keepdims=0))
    graph.nodes.append(helper.make_node("Concat", pooled, [EMBEDDING], axis=1))
    made = helper.make_graph(
        graph.nodes,
        "main_graph",
        [helper.make_tensor_value_info(INPUT, onnx.TensorProto.UINT8, ["n", size, size, 3])],
        [helper.make_tensor_value_info(EMBEDDING, onnx.TensorProto.FLOAT, ["n", feature_count(network.taps)])],
        list(graph.numbers.values()),
    )
    return helper.make_model(made, opset_imports=[helper.make_opsetid("", opset)], ir_version=ir_version)


class _Graph:
    """The nodes so far, in order, and the numbers they use by name."""

    def __init__(self) -> None:
        self.nodes: list[onnx.NodeProto] = []
        self.numbers: dict[str, onnx.TensorProto] = {}
        self.axes = self.number("picture_axes", np.array([2, 3], dtype=np.int64))
        self.bounds = [self.number("least", np.float32(0.0)), self.number("largest", np.float32(RELU6_LARGEST))]

    def number(self, name: str, value: Any) -> str:  # noqa: ANN401 - whatever numpy takes
        """Add a constant; its name."""
        self.numbers[name] = numpy_helper.from_array(np.asarray(value), name)
        return name

    def node(self, operator: str, inputs: list[str], **attributes: Any) -> str:  # noqa: ANN401 - ONNX has no types
        """Add a node; the name of its output."""
        output = f"{operator.lower()}_{len(self.nodes)}"
        self.nodes.append(helper.make_node(operator, inputs, [output], **attributes))
        return output

    def normalised(self, crops: str) -> str:
        """As :func:`~passage_cv.recognition.transforms.normalise` does it, channels first."""
        x = self.node("Transpose", [crops], perm=[0, 3, 1, 2])
        x = self.node("Cast", [x], to=onnx.TensorProto.FLOAT)
        x = self.node("Div", [x, self.number("half_range", np.float32(HALF_RANGE))])
        return self.node("Sub", [x, self.number("middle", np.float32(1.0))])

    def layers(self, x: str, layers: Iterable[nn.Module], side: int) -> tuple[str, int]:
        """What a sequence of layers makes of ``x``, and how high and wide that is."""
        conv: SameConv | None = None
        for layer in layers:
            if isinstance(layer, SameConv):
                conv = layer
            elif isinstance(layer, nn.BatchNorm2d):
                assert conv is not None
                x, side = self.convolved(x, conv, layer, side)
            elif isinstance(layer, nn.ReLU6):
                x = self.node("Clip", [x, *self.bounds])
            else:
                assert isinstance(layer, Block)
                before = x
                x, side = self.layers(x, layer.layers, side)
                x = self.node("Add", [x, before]) if layer.is_residual else x
        return x, side

    def convolved(self, x: str, conv: SameConv, norm: nn.BatchNorm2d, side: int) -> tuple[str, int]:
        """A convolution and the normalisation behind it, as one node."""
        assert norm.running_mean is not None
        assert norm.running_var is not None
        factor = _array(norm.weight) / np.sqrt(_array(norm.running_var) + np.float32(norm.eps))
        place = f"conv_{len(self.nodes)}"
        weights = [
            self.number(f"{place}.weight", _array(conv.weight) * factor[:, None, None, None]),
            self.number(f"{place}.bias", _array(norm.bias) - _array(norm.running_mean) * factor),
        ]
        kernel, stride = conv.kernel_size[0], conv.stride[0]
        before, after = conv.padding_of(side)
        x = self.node(
            "Conv",
            [x, *weights],
            kernel_shape=[kernel, kernel],
            strides=[stride, stride],
            pads=[before, before, after, after],
            group=conv.groups,
        )
        return x, -(-side // stride)


def _array(tensor: Tensor) -> np.ndarray[Any, np.dtype[np.float32]]:
    return tensor.detach().cpu().numpy()
