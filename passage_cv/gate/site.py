"""What one gate is like: distances and times, what its controller needs, how much is audited (a TOML file).

A site keeps it beside its policy. Nothing here changes a cutoff, and nothing can be set to mean "pass".
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, RootModel, field_validator

from passage_cv.config import Settings, read_settings
from passage_cv.gate.hours import Hours
from passage_cv.gate.timing import TimeBudget

Seconds = Annotated[float, Field(gt=0, allow_inf_nan=False)]
HeldTo = Literal["hold", "reject", "safe position"]
DEFAULT = "default"


class Camera(Settings):
    """What the camera must keep delivering; else it counts as stalled or frozen."""

    name: str = ""
    frames_per_s: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 10.0
    stall_s: Seconds = 2.0
    frozen_frames: Annotated[int, Field(ge=2)] = 5
    longest_s: Seconds = 6.0


class Trigger(Settings):
    """Who says that a fish comes: the picture alone, or the plant's register too (a light beam, for example).

    With ``modbus`` a fish seen without a trigger is held, and so is a trigger without a fish within ``window_s``.
    """

    source: Literal["none", "modbus"] = "none"
    window_s: Seconds = 3.0


class HeldTable(RootModel[dict[str, HeldTo]]):
    """Where a held fish goes, by the class that it looks most like; ``default`` is needed, "pass" cannot be said."""

    @field_validator("root")
    @classmethod
    def _has_default(cls, table: dict[str, HeldTo]) -> dict[str, HeldTo]:
        if DEFAULT not in table:
            raise ValueError("needs a line 'default'")
        return table

    def place(self, code: str) -> HeldTo:
        """Where a fish that looks most like this class goes; ``""`` and classes not named go by the default."""
        return self.root.get(code, self.root[DEFAULT])


class Held(Settings):
    """What a hold means while all is well, while the tank is full, and while a fish has stayed in it too long."""

    normal: HeldTable = HeldTable({DEFAULT: "hold"})
    tank_full: HeldTable = HeldTable({DEFAULT: "safe position"})
    stay_exceeded: HeldTable = HeldTable({DEFAULT: "safe position"})
    stay_max_min: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 1440.0


class Link(Settings):
    """The controller's end of the Modbus link; the gate computer is the server."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    heartbeat_timeout_s: Seconds = 3.0
    confirm_s: Seconds = 3.0


class Pictures(Settings):
    """Which presentations' pictures are kept beside the log."""

    keep: Literal["all", "held and audited"] = "all"


class Audit(Settings):
    """Random share of all presentations that a person looks at, drawn before any decision (decision-method 10)."""

    share: Annotated[float, Field(ge=0, le=1)] = 0.05
    seed: Annotated[int, Field(ge=0)] = 0
    delta: Annotated[float, Field(gt=0, lt=1)] = 0.05


class ProofTest(Settings):
    """A function that a person tries out on the real gate, and how often at the latest."""

    function: Annotated[str, Field(min_length=1)]
    every_days: Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Site(Settings):
    """One gate."""

    format: Literal[1]
    site: Annotated[str, Field(min_length=1)]
    setup_id: Annotated[str, Field(min_length=1)]
    timing: TimeBudget
    signatures: Annotated[int, Field(ge=1, le=2)] = 1
    clock_jump_s: Seconds = 2.0
    hours: Hours | None = None
    held: Held = Held()
    camera: Camera = Camera()
    trigger: Trigger = Trigger()
    link: Link = Link()
    pictures: Pictures = Pictures()
    audit: Audit = Audit()
    proof_tests: tuple[ProofTest, ...] = ()


def read_site(path: Path) -> Site:
    """Read a site file.

    Raises
    ------
    InputError
        Naming every key that is missing, unknown or out of range.
    """
    return read_settings(path, Site)
