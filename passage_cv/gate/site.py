"""What one gate is like: distances and times, what its controller needs, how much is audited (a TOML file).

A site keeps it beside its policy. Nothing here changes a cutoff, and nothing can be set to mean "pass".
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from passage_cv.config import Settings, read_settings
from passage_cv.gate.timing import TimeBudget

Seconds = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Camera(Settings):
    """What the camera must keep delivering; else it counts as stalled or frozen."""

    frames_per_s: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 10.0
    stall_s: Seconds = 2.0
    frozen_frames: Annotated[int, Field(ge=2)] = 5


class Link(Settings):
    """The controller's end of the Modbus link; the gate computer is the server."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    heartbeat_timeout_s: Seconds = 3.0
    confirm_s: Seconds = 3.0


class Audit(Settings):
    """Random share of all presentations that a person looks at, drawn before any decision (decision-method 10)."""

    share: Annotated[float, Field(ge=0, le=1)] = 0.05
    seed: Annotated[int, Field(ge=0)] = 0
    delta: Annotated[float, Field(gt=0, lt=1)] = 0.05


class Site(Settings):
    """One gate."""

    format: Literal[1]
    site: Annotated[str, Field(min_length=1)]
    setup_id: Annotated[str, Field(min_length=1)]
    timing: TimeBudget
    signatures: Annotated[int, Field(ge=0, le=2)] = 1
    on_hold_full: Literal["safe position", "reject"] = "safe position"
    clock_jump_s: Seconds = 2.0
    camera: Camera = Camera()
    link: Link = Link()
    audit: Audit = Audit()


def read_site(path: Path) -> Site:
    """Read a site file.

    Raises
    ------
    InputError
        Naming every key that is missing, unknown or out of range.
    """
    return read_settings(path, Site)
