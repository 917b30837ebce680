"""Is there time between the camera and the gate: the site's distances and speeds against what was measured.

Plain arithmetic of a belt, slide or flume; a fish that swims makes the travel time a distribution, so a second
look at the gate is needed there (trade handbook, section 6). Use the slowest one in a hundred of everything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from passage_cv.config import Settings
from passage_cv.errors import InputError

Above0 = Annotated[float, Field(gt=0, allow_inf_nan=False)]
From0 = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class TimeBudget(Settings):
    """What a site knows about one gate, in metres and seconds.

    ``control_s`` is what the plant needs besides the gate's own stroke: exposure and transfer, bus, a
    controller scan.
    """

    distance_m: Above0
    speed_m_per_s: Above0
    gate_s: From0
    margin_s: From0
    control_s: From0 = 0.0

    @property
    def travel_s(self) -> float:
        """From camera to gate."""
        return self.distance_m / self.speed_m_per_s

    @property
    def left_s(self) -> float:
        """What is left for picture, model and decision; negative where there is none."""
        return self.travel_s - self.gate_s - self.margin_s - self.control_s


@dataclass(frozen=True, slots=True)
class BudgetCheck:
    """The slowest one in a hundred decisions against the time left."""

    left_ms: float
    p99_ms: float

    @property
    def ok(self) -> bool:
        """Whether the decision is in time, 99 times in a hundred."""
        return self.p99_ms <= self.left_ms


def check_budget(budget: TimeBudget, p99_ms: float) -> BudgetCheck:
    """Compare a measured latency with a site's budget.

    Examples
    --------
    >>> belt = TimeBudget(distance_m=1.2, speed_m_per_s=0.4, gate_s=0.8, margin_s=0.25, control_s=0.15)
    >>> round(belt.travel_s, 3), round(belt.left_s, 3), check_budget(belt, 120.0).ok
    (3.0, 1.8, True)
    """
    return BudgetCheck(left_ms=budget.left_s * 1e3, p99_ms=p99_ms)


def frames_per_fish(view_m: float, speed_m_per_s: float, frames_per_s: float) -> float:
    """Frames in which a point of a passing fish is in view.

    Examples
    --------
    >>> frames_per_fish(0.60, 0.50, 10)
    12.0
    """
    _require_above_0(view_m=view_m, speed_m_per_s=speed_m_per_s, frames_per_s=frames_per_s)
    return view_m / speed_m_per_s * frames_per_s


def whole_fish_views(view_m: float, fish_m: float, speed_m_per_s: float, frames_per_s: float) -> tuple[float, int]:
    """Seconds that a whole fish is in view, and the frames certain to show it; (0.0, 0) where it never fits.

    Examples
    --------
    >>> seconds, frames = whole_fish_views(0.60, 0.48, 0.40, 15)
    >>> round(seconds, 4), frames
    (0.3, 4)
    """
    _require_above_0(view_m=view_m, fish_m=fish_m, speed_m_per_s=speed_m_per_s, frames_per_s=frames_per_s)
    seconds = max(0.0, view_m - fish_m) / speed_m_per_s
    return seconds, math.floor(seconds * frames_per_s)


def motion_blur(speed_m_per_s: float, exposure_s: float, m_per_pixel: float) -> tuple[float, float]:
    """How far a fish moves during one exposure, in metres and in pixels.

    Examples
    --------
    >>> metres, pixels = motion_blur(0.50, 0.002, 0.00025)
    >>> round(metres * 1000, 6), round(pixels, 6)
    (1.0, 4.0)
    """
    _require_above_0(speed_m_per_s=speed_m_per_s, exposure_s=exposure_s, m_per_pixel=m_per_pixel)
    moved = speed_m_per_s * exposure_s
    return moved, moved / m_per_pixel


def _require_above_0(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{name} is {value}, it must be above 0", do="Measure it on site.")
