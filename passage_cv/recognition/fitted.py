"""What a fit hands over to the run folder, whatever its kind: the model file and its out-of-fold prediction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fitted model and its out-of-fold prediction.

    Parameters
    ----------
    model
        Bytes of ``model.onnx``: crops to logits.
    tensors
        Name of a safetensors file of the run to the tensors in it; always ``head.safetensors``.
    logits
        Out-of-fold logits of every image (n_images, n_classes), scaled to natural log-odds; NaN where not ``seen``.
    seen
        False for an image whose class had no individual outside its fold.
    loss
        Class-balanced log loss per individual, in nats.
    hold_reasons
        Why each image's view would be held, out of fold; empty where the model has no rules on views.
    unfamiliarity
        Out of fold, what the model says of each image (n_images,); None where it says nothing and logits tell.
    details
        What else ``metrics.json`` shall say.
    """

    model: bytes
    tensors: Mapping[str, Mapping[str, npt.NDArray[Any]]]
    logits: Floats
    seen: npt.NDArray[np.bool_]
    loss: float
    unfamiliarity: Floats | None = None
    details: Mapping[str, Any] = field(default_factory=dict)
    hold_reasons: tuple[str, ...] = ()
