"""Training set-ups: those that come with the program, and changed copies of them that researchers hand in.

What was handed in never changes, so a run's set-up can be looked up by its name for ever.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from passage_cv.config import configs_folder, parse_settings
from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.recognition.settings import TrainSettings
from passage_cv.recognition.tuned_settings import TunedSettings
from passage_cv.web.handed_in import as_toml, is_name
from passage_cv.web.settings import WebSettings

_OF_THE_PROGRAM = ("package", "torchvision", "random")
"""First weights that a set-up may ask for here; a path would open any file of the server."""


def shipped() -> dict[str, Path]:
    """The set-ups that come with the program, by name."""
    return {path.stem: path for path in sorted((configs_folder() / "train").glob("*.toml"))}


def training_set_ups(settings: WebSettings) -> dict[str, Path]:
    """Every set-up that a training can be started with, by name: the program's, then those handed in."""
    return shipped() | {path.stem: path for path in sorted(_place(settings).glob("*.toml"))}


def keep_set_up(settings: WebSettings, name: str, text: str) -> TrainSettings | TunedSettings:
    """Keep a set-up under a new name.

    Raises
    ------
    InputError
        If the name is taken or cannot be used, the text is no set-up, or it names a file of the server.
    """
    if not is_name(name):
        raise InputError(f"Name {name[:40]!r} cannot be used", do="Take letters, digits and hyphens.")
    if name in training_set_ups(settings):
        raise InputError("A training set-up of this name is there", where=name, do="Give the changed one a new name.")
    values = as_toml(text, where=name)
    found = _parse(values, name)
    if isinstance(found, TunedSettings) and found.network.weights not in _OF_THE_PROGRAM:
        raise InputError(
            f"First weights are {found.network.weights[:80]!r}, here they may be {', '.join(_OF_THE_PROGRAM)}",
            where=name,
            do="Start a training from a file of weights on the command line.",
        )
    write_text(_place(settings) / f"{name}.toml", text)
    return found


def _parse(values: Mapping[str, Any], name: str) -> TrainSettings | TunedSettings:
    """Of fine-tuning where there is a ``kind``, else of a head on a frozen network, as files are read."""
    if "kind" in values:
        return parse_settings(values, TunedSettings, where=name)
    return parse_settings(values, TrainSettings, where=name)


def _place(settings: WebSettings) -> Path:
    return settings.data / "training-set-ups"
