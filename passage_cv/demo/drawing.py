"""What one drawing of a fish needs: the animal, how it carries its fins, and the sheet it is painted on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from passage_cv.demo.anatomy import Shape
from passage_cv.demo.body import Girth
from passage_cv.demo.canvas import Canvas
from passage_cv.demo.coats import Coat
from passage_cv.demo.species import Fish


@dataclass(frozen=True, slots=True)
class Carriage:
    """How a fish carries its fins: 1 spread, 0 folded away."""

    dorsal: float = 1.0
    anal: float = 1.0
    pectoral: float = 1.0
    pelvic: float = 1.0
    tail: float = 1.0


def draw_carriage(rng: np.random.Generator) -> Carriage:
    """Draw a carriage: mostly half open, and now and then a fin that tells the species is folded away."""
    dorsal, anal, pectoral, pelvic = (
        float(rng.beta(0.8, 2.0)) * 0.5 if rng.random() < hidden else float(rng.uniform(0.45, 1.0))
        for hidden in (0.25, 0.35, 0.30, 0.40)
    )
    return Carriage(dorsal, anal, pectoral, pelvic, float(rng.uniform(0.70, 1.05)))


@dataclass(frozen=True, slots=True)
class Drawing:
    """One view of one fish in the making; ``girth`` is the body's contours in this view."""

    fish: Fish
    shape: Shape
    coat: Coat
    girth: Girth
    carriage: Carriage
    canvas: Canvas
    rng: np.random.Generator

    def fin_colour(self, strength: float = 1.0) -> tuple[float, ...]:
        """The fins' colour, 0 to 1, lighter or darker by a factor."""
        return tuple(strength * part / 255 for part in self.coat.fin)

    def ray_colour(self, strength: float = 1.0) -> tuple[float, ...]:
        """The colour of rays and edges of fins, likewise."""
        return tuple(strength * part / 255 for part in self.coat.fin_dark)
