"""What stands before the camera when a picture is taken: all that the renderer needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from passage_cv.demo.sites import Light
from passage_cv.demo.species import Fish

View = Literal["left", "right", "top"]

WIDTH, HEIGHT = 960, 540
"""Size of every picture, pixels."""


@dataclass(frozen=True, slots=True)
class Subject:
    """A fish and the side it shows. ``left`` means that its left side is seen, head to the left."""

    fish: Fish
    view: View


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture to be taken.

    ``day_seed`` fixes what stays the same over a trip (algae on the wall, lamp position); ``seed`` what is
    this picture's own (pose, drops, noise). ``fouled`` is the share of the lens under film, 0 to 1.
    ``attached`` adds an animal that rides on the first fish.
    """

    setup_id: str
    light: Light
    turbidity_ntu: float
    day_seed: int
    seed: int
    subjects: tuple[Subject, ...] = ()
    fouled: float = 0.0
    lamp_failed: bool = False
    attached: bool = False

    @property
    def above(self) -> bool:
        """Whether the camera above the flume takes it."""
        return any(subject.view == "top" for subject in self.subjects)

    def rng(self, part: int) -> np.random.Generator:
        """Random numbers of one part of the picture: 0 for window and camera, then one for each fish."""
        return np.random.default_rng([self.seed, part])


@dataclass(frozen=True, slots=True)
class Views:
    """Which views of one animal are taken: one to three, 1.8 on average (handbook 9)."""

    shares: tuple[float, float, float] = (0.4, 0.4, 0.2)
    sides: tuple[View, ...] = field(default=("left", "right"))

    def draw(self, rng: np.random.Generator) -> tuple[View, ...]:
        """A first side, then perhaps the other side or the top, then the rest.

        Examples
        --------
        >>> sorted(Views(shares=(0, 0, 1)).draw(np.random.default_rng(0)))
        ['left', 'right', 'top']
        """
        count = 1 + int(rng.choice(3, p=self.shares))
        first, other = (self.sides[i] for i in rng.permutation(2))
        rest: list[View] = [other, "top"] if rng.random() < 0.5 else ["top", other]
        return (first, *rest)[:count]
