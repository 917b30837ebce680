"""A tiny river before the reference controller: frames with coloured fish, and a plant that does as told or not."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import cv2
import numpy as np

from passage_cv.gate.registers import Verdict
from passage_cv.service.frames import SimulatedClock
from passage_cv.service.machine import State
from passage_cv.service.plant import PlantState, Position
from tests.gate_world import COLOURS

HEIGHT, WIDTH = 120, 160
START = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)


class River:
    """Draws frames; every frame has its own noise, as a real camera's has."""

    def __init__(self, seed: int = 0) -> None:
        self.rng = np.random.default_rng(seed)

    def empty(self, n: int = 1) -> list[bytes]:
        """Frames of nothing but water."""
        return [self._encode(self._water()) for _ in range(n)]

    def fish(self, code: str, frames: int = 3) -> list[bytes]:
        """A fish of a colour, as large as the frame allows, passing through."""
        out = []
        for step in range(frames):
            frame = self._water()
            frame[6:114, 8 + 2 * step : 140 + 2 * step] = COLOURS[code]
            out.append(self._encode(self._noisy(frame)))
        return out

    def two(self, frames: int = 3) -> list[bytes]:
        """Two fish beside each other."""
        out = []
        for _ in range(frames):
            frame = self._water()
            frame[6:114, 4:70] = COLOURS["AMS"]
            frame[6:114, 90:156] = COLOURS["AMS"]
            out.append(self._encode(self._noisy(frame)))
        return out

    def one(self, code: str) -> list[bytes]:
        """A fish and the water after it."""
        return self.fish(code) + self.empty(3)

    def _water(self) -> np.ndarray:
        return np.full((HEIGHT, WIDTH, 3), 88, dtype=np.int16)

    def _noisy(self, frame: np.ndarray) -> np.ndarray:
        return np.clip(frame + self.rng.integers(-4, 5, frame.shape), 0, 255).astype(np.uint8)

    def _encode(self, frame: np.ndarray) -> bytes:
        noisy = self._noisy(frame.astype(np.int16))
        return bytes(cv2.imencode(".png", noisy[..., ::-1])[1].tobytes())


@dataclass
class SimulatedPlant:
    """A plant that confirms what it is asked, unless it is stuck, gone, or told otherwise."""

    said: PlantState = field(default_factory=lambda: PlantState(is_remote=False))
    stuck: bool = False
    broken: bool = False
    asked: list[tuple[Verdict, Position]] = field(default_factory=list)
    beats: list[tuple[State, str]] = field(default_factory=list)

    def state(self) -> PlantState:
        return self.said

    def change(self, **changes: object) -> None:
        self.said = replace(self.said, **changes)  # type: ignore[arg-type]

    def beat(self, state: State, package_id: str) -> None:
        self.beats.append((state, package_id))

    def command(self, verdict: Verdict, position: Position) -> Position:
        if self.broken:
            raise ConnectionError("connection reset by peer")
        self.asked.append((verdict, position))
        if self.stuck:
            return Position.UNKNOWN
        self.change(position=position)
        return position

    @property
    def positions(self) -> list[Position]:
        return [position for _, position in self.asked]


def make_clock() -> SimulatedClock:
    return SimulatedClock(START)
