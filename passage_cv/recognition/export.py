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

from passage_cv.recognition.backbone import EfficientNetLite0
from passage_cv.recognition.familiarity import WEIGHTS, Axes, Unfamiliarity, to_length_1
from passage_cv.recognition.lite_graph import write_lite
from passage_cv.recognition.model import EMBEDDING, HOLD, INPUT, LOGITS, UNFAMILIARITY
from passage_cv.recognition.transforms import normalise

OPSET = 20
IR_VERSION = 10
"""Of the file format; torch's exporter writes this one with that set of operators."""

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
    """The bytes of an ONNX model from crops of this size to features (output ``embedding``).

    The registry's network is written by ourselves, any other by torch's exporter, which takes 10 s and more.
    """
    if isinstance(backbone, EfficientNetLite0):
        return _serialise(write_lite(backbone, size, opset=OPSET, ir_version=IR_VERSION))
    return export_any(backbone, size)


def export_any(backbone: nn.Module, size: int) -> bytes:
    """As :func:`export_backbone`, by torch's exporter."""
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


def attach_unfamiliarity(model: bytes, unfamiliarity: Unfamiliarity) -> bytes:
    """Append the output that says of each view how unlike everything learnt it looks, from its embedding.

    Parameters
    ----------
    model
        From :func:`attach_head`.
    unfamiliarity
        Fitted on the same embedding. The graph computes it in 64-bit numbers: the relative distance is a small
        difference of large ones.
    """
    loaded = onnx.load_model(io.BytesIO(model))
    graph, known = loaded.graph, unfamiliarity.familiar
    weights = np.array(WEIGHTS) / sum(WEIGHTS) / unfamiliarity.joined.spread
    numbers = {
        **_numbers_of("within", known.within),
        **_numbers_of("overall", known.overall),
        "unit_means": to_length_1(known.means).T,
        "minus_twice_means": -2.0 * known.means.T,
        "means_squared": (known.means**2).sum(axis=1),
        "of_cosine": -weights[0],
        "of_distance": weights[1],
        "offset": -weights @ unfamiliarity.joined.middle,
    }
    graph.initializer.extend(
        numpy_helper.from_array(np.asarray(value, dtype=np.float64), f"{UNFAMILIARITY}.{name}")
        for name, value in numbers.items()
    )
    graph.initializer.append(numpy_helper.from_array(np.array([1], dtype=np.int64), f"{UNFAMILIARITY}.axis"))
    graph.node.extend(_unfamiliarity_nodes(are_turned=known.within.are_turned))
    graph.output.append(helper.make_tensor_value_info(UNFAMILIARITY, onnx.TensorProto.FLOAT, ["n", 1]))
    onnx.checker.check_model(loaded)
    return _serialise(loaded)


def _numbers_of(name: str, axes: Axes) -> dict[str, Floats]:
    return {f"{name}.weight": axes.weights, f"{name}.bias": axes.bias}


def _node(operator: str, inputs: str, output: str, **attributes: Any) -> onnx.NodeProto:  # noqa: ANN401 - ONNX has no types
    """A node between values of unfamiliarity, named without it."""
    named = [name if name == EMBEDDING else f"{UNFAMILIARITY}.{name}" for name in inputs.split()]
    return helper.make_node(operator, named, [f"{UNFAMILIARITY}.{output}"], **attributes)


_TURNED = (
    _node("Gemm", "features within.weight within.bias", "place", transB=1),
    _node("Gemm", "features overall.weight overall.bias", "place_overall", transB=1),
)
_STRETCHED = (
    _node("Mul", "features within.weight", "stretched"),
    _node("Add", "stretched within.bias", "place"),
    _node("Mul", "features overall.weight", "stretched_overall"),
    _node("Add", "stretched_overall overall.bias", "place_overall"),
)
"""How features get into axes; see :class:`~passage_cv.recognition.familiarity.Axes`."""


def _unfamiliarity_nodes(*, are_turned: bool) -> list[onnx.NodeProto]:
    """What :meth:`~passage_cv.recognition.familiarity.Unfamiliarity.of` computes, step by step."""
    return [
        _node("Cast", EMBEDDING, "features", to=onnx.TensorProto.DOUBLE),
        *(_TURNED if are_turned else _STRETCHED),
        _node("ReduceSumSquare", "place axis", "from_middle"),
        _node("Sqrt", "from_middle", "length"),
        _node("MatMul", "place unit_means", "along_means"),
        _node("ReduceMax", "along_means axis", "along_nearest"),
        _node("Div", "along_nearest length", "cosine"),
        _node("MatMul", "place minus_twice_means", "towards_means"),
        _node("Add", "towards_means means_squared", "beyond_middle"),
        _node("ReduceMin", "beyond_middle axis", "nearest_beyond_middle"),
        _node("Add", "nearest_beyond_middle from_middle", "from_nearest"),
        _node("ReduceSumSquare", "place_overall axis", "from_all"),
        _node("Sub", "from_nearest from_all", "relative_distance"),
        _node("Mul", "cosine of_cosine", "direction_part"),
        _node("Mul", "relative_distance of_distance", "distance_part"),
        _node("Add", "direction_part distance_part", "parts"),
        _node("Add", "parts offset", "joined"),
        helper.make_node("Cast", [f"{UNFAMILIARITY}.joined"], [UNFAMILIARITY], to=onnx.TensorProto.FLOAT),
    ]


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
