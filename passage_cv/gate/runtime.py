"""The package at work: pictures of one presentation in, an action out, in the gate computer's own process.

A picture that cannot be used holds the fish; a fault of the model gives no decision; nothing raises and
nothing is passed on a fault. The plant's controller owns the gate and its interlocks; this only advises it.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from passage_cv.config import parse_settings
from passage_cv.decision.cutoffs_file import Cutoffs, read_cutoffs
from passage_cv.decision.rule import Decision, decide, unfamiliarity_of
from passage_cv.errors import InputError
from passage_cv.files import read_json, sha256_bytes
from passage_cv.gate.classes import GateClass, read_classes
from passage_cv.gate.format import CLASSES, CROP, CUTOFFS, MODEL, POLICY
from passage_cv.gate.manifest import Manifest, require_intact
from passage_cv.gate.views import Logits, Model, Picture, Sight, look_at_pictures, read_picture
from passage_cv.policy import Policy, read_policy
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.model import GateModel
from passage_cv.records import Action

UNMEASURED = "set-up on which no limit was shown"
FAULT = "fault"


@dataclass(frozen=True, slots=True)
class GateDecision:
    """What the gate is asked to do with one presentation, and what it was based on.

    ``logits`` has shape (n_views, n_classes), (0, n_classes) where no picture was scored; ``unfamiliarity`` is not a
    number there, nor where no rule asks for it; ``latency_ms`` is from the call to the action; ``image_sha256s`` are
    those of all pictures that were given as files.
    """

    action: Action
    score: float
    reason: str
    hold_reason: str
    logits: Logits
    image_sha256s: tuple[str, ...]
    latency_ms: float
    unfamiliarity: float = math.nan


@dataclass(frozen=True, slots=True)
class Package:
    """An intact package, loaded."""

    folder: Path
    manifest: Manifest
    cutoffs: Cutoffs
    policy: Policy
    classes: tuple[GateClass, ...]
    crop: CropSettings
    model: Model

    def decide(
        self, pictures: Sequence[Picture | Path], *, hold_reason: str = "", setup_id: str | None = None
    ) -> GateDecision:
        """Decide one presentation from its pictures, in the order in which they were taken.

        Parameters
        ----------
        pictures
            Bytes, pixels (uint8, height, width, 3) or paths; the first ``views.max`` are used.
        hold_reason
            Why the fish is to be held whatever its pictures say (two fish in view, empty view, unknown).
        setup_id
            The imaging set-up, if known; one on which no limit was shown holds the fish.
        """
        started = time.perf_counter()
        opened, unopened = _open(pictures)
        sight, fault = self._look([] if unopened else opened)
        far = unfamiliarity_of(sight.logits, self.cutoffs, said=sight.unfamiliarity)
        if fault:
            made = Decision(Action.NO_DECISION, float("nan"), FAULT, fault)
        else:
            why = hold_reason or unopened or sight.held or self._unmeasured(setup_id)
            made = decide(sight.logits.astype(np.float64), self.cutoffs, hold_reason=why, unfamiliarity=far)
        return GateDecision(
            action=made.action,
            score=made.score,
            reason=made.reason,
            hold_reason=made.hold_reason,
            logits=sight.logits,
            image_sha256s=tuple(sha256_bytes(data) for data in opened if isinstance(data, bytes)),
            latency_ms=(time.perf_counter() - started) * 1e3,
            unfamiliarity=far,
        )

    def _look(self, pictures: Sequence[Picture]) -> tuple[Sight, str]:
        """What the model makes of the views used, and what went wrong with it."""
        none = np.zeros((0, len(self.cutoffs.classes)), dtype=np.float32)
        if not pictures:
            return Sight(none), ""
        try:
            return self._seen(pictures[: self.cutoffs.views.max]), ""
        except InputError as error:
            return Sight(none, error.what), ""
        except Exception as error:
            return Sight(none), f"model: {error}"

    def _seen(self, pictures: Sequence[Picture]) -> Sight:
        sight = look_at_pictures(pictures, self.model, self.crop)
        wanted = (len(pictures), len(self.cutoffs.classes))
        if sight.logits.shape != wanted:
            raise ValueError(f"logits have shape {sight.logits.shape}, needed {wanted}")
        return sight

    def _unmeasured(self, setup_id: str | None) -> str:
        known = self.manifest.setup_ids
        return "" if setup_id is None or not known or setup_id in known else UNMEASURED


def open_package(folder: Path) -> Package:
    """Load a package after every byte of it was checked.

    Raises
    ------
    InputError
        If a file is missing, extra or altered, or a record in it does not read.
    """
    return load_package(folder, require_intact(folder))


def load_package(folder: Path, manifest: Manifest) -> Package:
    """Load a package whose bytes were checked against this manifest.

    Raises
    ------
    InputError
        If a record does not read, or the model is no longer the one that was checked.
    """
    model = (folder / MODEL).read_bytes()
    if sha256_bytes(model) != manifest.model_sha256:
        raise InputError("model.onnx changed after it was checked", where=str(folder), do="Copy the package again.")
    return Package(
        folder=folder,
        manifest=manifest,
        cutoffs=read_cutoffs(folder / CUTOFFS),
        policy=read_policy(folder / POLICY),
        classes=read_classes(folder / CLASSES),
        crop=read_crop(folder / CROP),
        model=GateModel(model),
    )


def read_crop(path: Path) -> CropSettings:
    """The crop of a run or package."""
    return parse_settings(read_json(path), CropSettings, where=str(path))


def _open(pictures: Sequence[Picture | Path]) -> tuple[list[Picture], str]:
    """The pictures that could be opened, and why the fish is held if one could not."""
    opened: list[Picture] = []
    problem = ""
    for picture in pictures:
        try:
            opened.append(read_picture(picture) if isinstance(picture, Path) else picture)
        except InputError as error:
            problem = problem or error.what
    return opened, problem
