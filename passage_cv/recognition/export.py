"""From torch to ONNX: the backbone once, then any number of linear heads attached to it without torch.

Goes out: model files that take 8-bit crops (n, size, size, 3), the normalisation inside, all metadata stripped: the
exporter writes the builder's folders into every node.
"""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import onnx
import torch
from onnx import helper, numpy_helper
from torch import Tensor, nn

from passage_cv.recognition.model import EMBEDDING, HOLD, INPUT, LOGITS
from passage_cv.recognition.transforms import normalise

OPSET = 20

Floats = npt.NDArray[np.floating[Any]]


class PixelsToFeatures(nn.Module):
    """Normalisation and backbone in one: uint8 crops (n, size, size, 3) to features (n, n_features)."""

    def __init__(self, backbone: nn.Module) -> None:
        super().__init__()
        self.backbone = backbone

    def forward(self, crops: Tensor) -> Tensor:
        """Features of each crop."""
        features: Tensor = self.backbone(normalise(crops.permute(0, 3, 1, 2).to(torch.float32)))
        return features


def export_backbone(backbone: nn.Module, size: int) -> bytes:
    """The bytes of an ONNX model from crops of this size to features (output ``embedding``)."""
    network = PixelsToFeatures(backbone).eval()
    crops = torch.zeros((2, size, size, 3), dtype=torch.uint8)
    quiet = logging.getLogger("torch.onnx")
    level = quiet.level
    quiet.setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the exporter's own deprecations, none of which we can act on
            program = torch.onnx.export(
                network,
                (crops,),
                dynamo=True,
                opset_version=OPSET,
                external_data=False,
                verbose=False,
                input_names=[INPUT],
                output_names=[EMBEDDING],
                dynamic_shapes=({0: torch.export.Dim("n")},),
            )
    finally:
        quiet.setLevel(level)
    assert program is not None
    return _serialise(strip_metadata(program.model_proto))


def attach_head(backbone: bytes, weights: Floats, bias: Floats) -> bytes:
    """Append ``logits = embedding @ weights.T + bias`` to an exported backbone.

    Parameters
    ----------
    backbone
        From :func:`export_backbone`; its features stay the second output.
    weights
        Shape (n_classes, n_features).
    bias
        Shape (n_classes,).
    """
    model = onnx.load_model(io.BytesIO(backbone))
    graph = model.graph
    graph.initializer.extend(
        [
            numpy_helper.from_array(np.asarray(weights, dtype=np.float32), "head.weight"),
            numpy_helper.from_array(np.asarray(bias, dtype=np.float32), "head.bias"),
        ]
    )
    graph.node.append(helper.make_node("Gemm", [EMBEDDING, "head.weight", "head.bias"], [LOGITS], transB=1))
    graph.output.insert(0, helper.make_tensor_value_info(LOGITS, onnx.TensorProto.FLOAT, ["n", len(bias)]))
    onnx.checker.check_model(model)
    return _serialise(model)


def attach_holds(model: bytes, holds: Mapping[str, tuple[Floats, float]]) -> bytes:
    """Append rules that hold a view where ``embedding @ weights + bias`` is above 0.

    Parameters
    ----------
    model
        From :func:`attach_head`.
    holds
        Reason to the weights (n_features,) and bias of its rule; each becomes an output of its own.
    """
    loaded = onnx.load_model(io.BytesIO(model))
    for place, (reason, (weights, bias)) in enumerate(holds.items()):
        _attach_hold(loaded.graph, f"hold.{place}", HOLD + reason, weights, bias)
    onnx.checker.check_model(loaded)
    return _serialise(loaded)


def _attach_hold(graph: onnx.GraphProto, name: str, output: str, weights: Floats, bias: float) -> None:
    graph.initializer.extend(
        [
            numpy_helper.from_array(np.asarray(weights, dtype=np.float32)[None], f"{name}.weight"),
            numpy_helper.from_array(np.array([bias], dtype=np.float32), f"{name}.bias"),
        ]
    )
    graph.node.append(helper.make_node("Gemm", [EMBEDDING, f"{name}.weight", f"{name}.bias"], [output], transB=1))
    graph.output.append(helper.make_tensor_value_info(output, onnx.TensorProto.FLOAT, ["n", 1]))


def _serialise(model: onnx.ModelProto) -> bytes:
    data: bytes = model.SerializeToString(deterministic=True)
    return data


def strip_metadata(model: onnx.ModelProto) -> onnx.ModelProto:
    """Clear everything in a model that is not computed with: names of builders, paths, stack traces."""
    model.producer_name, model.producer_version, model.doc_string = "", "", ""
    del model.metadata_props[:]
    graph = model.graph
    graph.doc_string = ""
    holders: Iterable[Any] = (
        graph,
        *graph.node,
        *graph.value_info,
        *graph.input,
        *graph.output,
        *graph.initializer,
        *model.functions,
    )
    for holder in holders:
        holder.doc_string = ""
        del holder.metadata_props[:]
    return model
