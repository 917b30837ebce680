"""The only place that runs a model file: ONNX Runtime on the CPU, without torch.

Comes in: 8-bit crops. Goes out: features, logits. Cropping and deciding are done elsewhere. Sessions use one thread
each and may be called from several threads at once, which on few cores beats one session with many threads.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import onnxruntime

from passage_cv.errors import InputError

Crops = npt.NDArray[np.uint8]
Floats32 = npt.NDArray[np.float32]

INPUT = "crops"
LOGITS = "logits"
EMBEDDING = "embedding"
UNFAMILIARITY = "unfamiliarity"
"""Name of the output that says how unlike everything learnt a view looks, one number each; not every model has it."""
HOLD = "hold: "
"""Beginning of the name of an output that holds a view where it is above 0; the reason follows."""

_BATCH = 32
_ERRORS_ONLY = 3


class _Network:
    """An ONNX Runtime session over crops (n, size, size, 3)."""

    def __init__(self, model: Path | bytes, *, threads: int) -> None:
        self.where = "model" if isinstance(model, bytes) else str(model)
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        options.inter_op_num_threads = 1
        options.log_severity_level = _ERRORS_ONLY
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        try:
            source = model if isinstance(model, bytes) else model.read_bytes()
            self._session = onnxruntime.InferenceSession(source, options, providers=["CPUExecutionProvider"])
        except FileNotFoundError as error:
            raise InputError("Model file is missing", where=self.where, do="Give the folder of a run.") from error
        except Exception as error:  # ONNX Runtime's errors share no narrower base
            raise InputError(
                f"Model file cannot be loaded: {str(error).splitlines()[0]}",
                where=self.where,
                do="Copy or export it again.",
            ) from error
        self._input = self._session.get_inputs()[0]
        self.outputs = {output.name: output.shape for output in self._session.get_outputs()}

    def require(self, output: str) -> None:
        """Refuse a model without this output."""
        if output not in self.outputs:
            raise InputError(
                f"Model gives {', '.join(self.outputs)}, needed {output}",
                where=self.where,
                do="Give model.onnx of a run.",
            )

    def run(self, crops: Crops, names: tuple[str, ...]) -> list[Floats32]:
        """The named outputs for each crop, a bounded number of crops at once."""
        self._require(crops)
        parts = [
            self._session.run(list(names), {self._input.name: crops[start : start + _BATCH]})
            for start in range(0, max(1, len(crops)), _BATCH)
        ]
        return [np.concatenate(column) for column in zip(*parts, strict=True)]

    def _require(self, crops: Crops) -> None:
        wanted = self._input.shape[1:]
        fits = crops.ndim == 4 and all(
            not isinstance(side, int) or side == given for side, given in zip(wanted, crops.shape[1:], strict=False)
        )
        if not fits or crops.dtype != np.uint8:
            raise InputError(
                f"Crops have shape {crops.shape} and type {crops.dtype}, needed 8-bit (n, {wanted})",
                where=self.where,
                do="Crop with the crop.json beside the model.",
            )


class Embedder:
    """A frozen backbone, or a run's ``model.onnx``: crops to features.

    Raises
    ------
    InputError
        If the file is missing, is not an ONNX model, or gives no embedding.
    """

    def __init__(self, model: Path | bytes, *, threads: int = 1) -> None:
        self._network = _Network(model, threads=threads)
        self._network.require(EMBEDDING)

    @property
    def width(self) -> int:
        """Features per picture."""
        return int(self._network.outputs[EMBEDDING][-1])

    def embed(self, crops: Crops) -> Floats32:
        """Features of shape (n, n_features) for uint8 crops (n, size, size, 3).

        Raises
        ------
        InputError
            If the crops have another shape or type.
        """
        return self._network.run(crops, (EMBEDDING,))[0]


@dataclass(frozen=True, slots=True)
class Seen:
    """What a model makes of crops: logits (n, n_classes), and why each view may not be decided ("" where it may).

    ``unfamiliarity`` has shape (n,), None where the model says nothing of it.
    """

    logits: Floats32
    hold_reasons: tuple[str, ...]
    unfamiliarity: Floats32 | None = None


class GateModel:
    """A run's ``model.onnx``: crops to logits.

    Parameters
    ----------
    model
        The file, or its bytes.
    threads
        Cores one call may use.

    Raises
    ------
    InputError
        If the file is missing, is not an ONNX model, or gives no logits.
    """

    def __init__(self, model: Path | bytes, *, threads: int = 1) -> None:
        self._network = _Network(model, threads=threads)
        self._network.require(LOGITS)
        self._holds = tuple(name for name in self._network.outputs if name.startswith(HOLD))
        self.says_unfamiliarity = UNFAMILIARITY in self._network.outputs

    @property
    def hold_reasons(self) -> tuple[str, ...]:
        """Reasons for which this model can hold a view, the first to speak first."""
        return tuple(name.removeprefix(HOLD) for name in self._holds)

    def see(self, crops: Crops) -> Seen:
        """Everything the model says of uint8 crops (n, size, size, 3); a hold value that is not a number holds.

        Raises
        ------
        InputError
            If the crops have another shape or type.
        """
        more = (UNFAMILIARITY,) if self.says_unfamiliarity else ()
        logits, *others = self._network.run(crops, (LOGITS, *more, *self._holds))
        holds = others[len(more) :]
        reasons = ["" for _ in crops]
        for reason, values in reversed(list(zip(self.hold_reasons, holds, strict=True))):
            for place in np.flatnonzero(~(values[:, 0] <= 0)):
                reasons[place] = reason
        return Seen(logits, tuple(reasons), others[0][:, 0] if more else None)

    def logits(self, crops: Crops) -> Floats32:
        """Logits of shape (n, n_classes) for uint8 crops (n, size, size, 3).

        Raises
        ------
        InputError
            If the crops have another shape or type.
        """
        return self._network.run(crops, (LOGITS,))[0]
