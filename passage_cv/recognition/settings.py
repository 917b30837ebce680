"""What a training run is asked to do (``configs/train/``), and how it is written down again beside the model."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from passage_cv.config import Settings, read_settings
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.head_settings import DiscriminantGrid, LogisticGrid
from passage_cv.recognition.tuned_settings import TunedSettings


class BackboneSettings(Settings):
    """Which network, which weights, and which of its stages are features (see ``backbone``)."""

    name: Literal["efficientnet-lite0"]
    weights_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    taps: Annotated[tuple[Annotated[int, Field(ge=0, le=7)], ...], Field(min_length=1)]


class TrainSettings(Settings):
    """A training run; every value stands in its file with its reason, none has a default here."""

    format: Literal[1]
    seed: Annotated[int, Field(ge=0)]
    folds: Annotated[int, Field(ge=2)]
    mirrored: bool
    backbone: BackboneSettings
    crop: CropSettings
    heads: Annotated[
        tuple[Annotated[DiscriminantGrid | LogisticGrid, Field(discriminator="kind")], ...], Field(min_length=1)
    ]


def read_train_settings(path: Path) -> TrainSettings | TunedSettings:
    """Read the settings of a run: of fine-tuning where the file has a ``kind``, else of a head on a frozen network.

    Raises
    ------
    InputError
        As :func:`~passage_cv.config.read_settings`.
    """
    try:
        is_tuned = "kind" in tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        is_tuned = False  # read_settings says what is wrong
    return read_settings(path, TunedSettings) if is_tuned else read_settings(path, TrainSettings)


def settings_as_toml(settings: Settings) -> str:
    """The same values as TOML that reads back to an equal record.

    Examples
    --------
    >>> print(settings_as_toml(CropSettings(size=64)).splitlines()[2])
    size = 64
    """
    return "\n".join(_table(settings.model_dump(mode="json"), "")) + "\n"


def _table(values: dict[str, Any], path: str) -> list[str]:
    """Lines of one table: its plain values first, then the tables and lists of tables inside."""
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values.items() if _is_plain(value)]
    for key, value in values.items():
        name = f"{path}{key}"
        if isinstance(value, dict):
            lines += ["", f"[{name}]", *_table(value, f"{name}.")]
        elif not _is_plain(value):
            for one in value:
                lines += ["", f"[[{name}]]", *_table(one, f"{name}.")]
    return lines


def _is_plain(value: object) -> bool:
    return not isinstance(value, dict) and not (isinstance(value, list) and value and isinstance(value[0], dict))
