"""The fish of the demo river: names, numbers imaged, sizes and weights.

What a fish looks like is in :mod:`passage_cv.demo.shapes` and :mod:`passage_cv.demo.coats`. The list of names
that intake checks against is intake's own; nothing there reads this table.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np


@dataclass(frozen=True, slots=True)
class Species:
    """One species of the demo.

    ``length_mm`` holds the smallest, the middle and the largest total length drawn. ``weight`` holds a and b
    of W (g) = a * L (mm) ** b. ``imaged`` is how many the campaign images. ``juvenile_below_mm`` splits the
    life stages.
    """

    code: str
    scientific_name: str
    vernacular_name: str
    imaged: int
    length_mm: tuple[float, float, float]
    juvenile_below_mm: float
    weight: tuple[float, float]

    @property
    def fork_ratio(self) -> float | None:
        """Fork length over total length, for species measured to the fork."""
        return _FORK_RATIO.get(self.code)

    @property
    def length_type(self) -> str:
        """FL where the crew measures to the fork, else TL."""
        return "TL" if self.fork_ratio is None else "FL"


def _standard(intercept: float, slope: float) -> tuple[float, float]:
    return 10.0**intercept, slope


def _body_shape(a_cm: float, b: float) -> tuple[float, float]:
    return a_cm * 10.0**-b, b


_EEL_LIKE, _ELONGATED, _FUSIFORM = _body_shape(0.00102, 3.06), _body_shape(0.00389, 3.12), _body_shape(0.0112, 3.04)

# Counts: handbook 9, "Imaging campaign". Lengths: handbook 9, "Usual adult TL", with some smaller and larger
# ones because a test set must span the sizes of the run (handbook 6). Weights: handbook 2 (standard weight
# where there is one, else body shape; shad by the northern female equation, on fork length).
_TABLE = (
    Species("NSH", "Channa argus", "northern snakehead", 320, (240, 480, 760), 300, _standard(-5.142, 3.0418)),
    Species("BCF", "Ictalurus furcatus", "blue catfish", 320, (260, 560, 1100), 380, _standard(-6.067, 3.4)),
    Species("ASE", "Monopterus albus", "Asian swamp eel", 320, (230, 400, 760), 260, _EEL_LIKE),
    Species("SNS", "Acipenser brevirostrum", "shortnose sturgeon", 320, (380, 660, 1050), 500, _ELONGATED),
    Species("EEL", "Anguilla rostrata", "American eel", 160, (270, 480, 900), 0, _EEL_LIKE),
    Species("BOW", "Amia calva", "bowfin", 160, (280, 500, 680), 380, _FUSIFORM),
    Species("AMS", "Alosa sapidissima", "American shad", 120, (360, 480, 580), 330, (1.7929e-4, 2.591912)),
    Species("WCF", "Ameiurus catus", "white catfish", 100, (190, 330, 560), 230, _standard(-5.851, 3.395)),
    Species("CCF", "Ictalurus punctatus", "channel catfish", 100, (240, 450, 780), 300, _standard(-5.8, 3.294)),
    Species("WPE", "Morone americana", "white perch", 90, (130, 210, 310), 140, _standard(-5.122, 3.136)),
    Species("WSK", "Catostomus commersonii", "white sucker", 90, (210, 360, 520), 240, _standard(-4.755, 2.94)),
    Species("GZS", "Dorosoma cepedianum", "gizzard shad", 80, (190, 300, 420), 200, _standard(-5.376, 3.17)),
    Species("STB", "Morone saxatilis", "striped bass", 70, (320, 620, 1000), 420, _standard(-4.924, 3.007)),
)  # fmt: skip

_FORK_RATIO = {"AMS": 0.87, "BCF": 0.90, "CCF": 0.91, "WCF": 0.93, "SNS": 0.90}

SPECIES = MappingProxyType({species.code: species for species in _TABLE})
"""By code, in the order of :data:`CODES`."""

CODES = tuple(SPECIES)
"""Codes by number imaged, most first."""

INVADERS = ("NSH", "BCF", "ASE")
"""Excluded by the demo's policy."""

PROTECTED = "SNS"

EVENLY_SPREAD = ("NSH", "BCF", "ASE", "SNS")
"""Imaged in equal numbers on every trip, so that each role holds enough of them."""

LOOK_ALIKES = (("NSH", "BOW"), ("ASE", "EEL"), ("BCF", "CCF", "WCF"))
"""Sets that differ only where the real ones do."""


@dataclass(frozen=True, slots=True)
class Fish:
    """One animal: everything about it that a crew could write down, and the seed of its looks."""

    code: str
    length_mm: float
    weight_g: float
    sex: str
    life_stage: str
    seed: int

    @property
    def species(self) -> Species:
        """Its species."""
        return SPECIES[self.code]

    @property
    def recorded_mm(self) -> int:
        """Length as the crew records it: to the fork where :attr:`Species.length_type` says FL."""
        return round(self.length_mm * (self.species.fork_ratio or 1.0))


def draw_fish(code: str, rng: np.random.Generator) -> Fish:
    """Draw one animal of a species.

    Lengths are triangular between the species' bounds; weight scatters about the species' relation by 9 %
    (one standard deviation), ours.
    """
    species = SPECIES[code]
    low, middle, high = species.length_mm
    length = float(rng.triangular(low, middle, high))
    a, b = species.weight
    weighed = length * (species.fork_ratio or 1.0) if code == "AMS" else length
    weight = a * weighed**b * float(np.exp(rng.normal(-0.06, 0.09)))
    return Fish(
        code=code,
        length_mm=length,
        weight_g=round(weight, 1) if weight < 500 else float(round(weight)),
        sex=str(rng.choice(["F", "M", "U"], p=[0.4, 0.4, 0.2])),
        life_stage=_stage(species, length, rng),
        seed=int(rng.integers(2**62)),
    )


def _stage(species: Species, length: float, rng: np.random.Generator) -> str:
    if species.code == "EEL":
        return "silver" if length > 420 and rng.random() < 0.35 else "yellow"
    return "juvenile" if length < species.juvenile_below_mm else "adult"
