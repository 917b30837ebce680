"""The parts a drawn fish is put together from. Lengths are fractions of total length, the snout is at 0.

``t`` runs from snout to tail, ``y`` upward from the body's axis. The numbers themselves are in
:mod:`passage_cv.demo.shapes`; what paints them is in :mod:`passage_cv.demo.fins` and its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Point = tuple[float, float]
Line = tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class RayFin:
    """A fin on the back or the belly.

    ``height`` lists (place along the base 0 to 1, height); a ray's tip lies ``lean`` times its height behind
    its base. The first ``spines`` of the ``rays`` are spines, between which the
    edge is notched; ``thread`` is how far the last ray trails beyond the fin.
    """

    edge: Literal["back", "belly"]
    base: Point
    height: Line
    lean: float
    rays: int
    spines: int = 0
    thread: float = 0.0


@dataclass(frozen=True, slots=True)
class PairedFin:
    """One of two equal fins: pectoral or pelvic. ``angle`` is degrees below the axis, pointing backward."""

    at: Point
    length: float
    breadth: float
    angle: float
    rays: int
    roundness: float = 0.5


@dataclass(frozen=True, slots=True)
class Tail:
    """The tail fin: ``fork`` is the middle rays' length over the outermost's (above 1: rounded)."""

    start: float
    spread: float
    fork: float
    rays: int
    lift: float = 0.0
    lower: float = 1.0


@dataclass(frozen=True, slots=True)
class Barbel:
    """A whisker from its root over a bend to its tip; pale ones are nearly white."""

    root: Point
    bend: Point
    tip: Point
    pale: bool = False
    thick: float = 0.0062


@dataclass(frozen=True, slots=True)
class Head:
    """Head length, eye (t, y, radius), the line of the mouth, nostril, and how the gill opens."""

    length: float
    eye: tuple[float, float, float]
    mouth: Line
    nostril: Point
    gill: Literal["plate", "slit", "throat"] = "plate"
    barbels: tuple[Barbel, ...] = ()


@dataclass(frozen=True, slots=True)
class Shape:
    """A species' form from the side, and how wide it is from above.

    ``width`` lists (t, half width) as seen from above.
    """

    back: Line
    belly: Line
    width: Line
    head: Head
    fins: tuple[RayFin, ...]
    pectoral: PairedFin | None
    pelvic: PairedFin | None
    tail: Tail | None
    adipose: Point | None = None
    scale_rows: int = 0
