"""Names, numbers and sizes of the demo's fish."""

import numpy as np
import pytest

from passage_cv.demo.species import CODES, EVENLY_SPREAD, SPECIES, draw_fish

RNG_SEED = 3


def test_campaign_counts_are_the_handbooks() -> None:
    # handbook 9, "Imaging campaign"
    counts = {code: species.imaged for code, species in SPECIES.items()}
    assert counts == {
        "NSH": 320, "BCF": 320, "ASE": 320, "SNS": 320, "EEL": 160, "BOW": 160, "AMS": 120, "WCF": 100, "CCF": 100,
        "WPE": 90, "WSK": 90, "GZS": 80, "STB": 70,
    }  # fmt: skip
    assert set(EVENLY_SPREAD) <= set(CODES)


@pytest.mark.parametrize(
    ("code", "length_mm", "weight_g", "source"),
    [
        ("NSH", 475, 999.923, "CV-007, Kim et al. 2019"),
        ("BCF", 700, 4039.55, "CV-005, Muoneke & Pope 1999"),
        ("WCF", 350, 611.098, "CV-006, Bister et al. 2000"),
        ("STB", 500, 1555.26, "CV-003, Brown & Murphy 1991"),
        ("WPE", 200, 124.174, "CV-001, Bister et al. 2000"),
        ("WSK", 400, 785.338, "CV-002, Bister et al. 2000"),
        ("GZS", 300, 299.553, "CV-011, Anderson & Gutreuter 1983"),
        ("CCF", 400, 590.453, "CV-004, Brown et al. 1995"),
    ],
)
def test_weight_relations_are_the_published_ones(code: str, length_mm: float, weight_g: float, source: str) -> None:
    a, b = SPECIES[code].weight
    assert a * length_mm**b == pytest.approx(weight_g, rel=1e-4), source


@pytest.mark.parametrize("code", CODES)
def test_drawn_animals_are_plausible(code: str) -> None:
    rng = np.random.default_rng(RNG_SEED)
    species = SPECIES[code]
    for _ in range(50):
        fish = draw_fish(code, rng)
        assert species.length_mm[0] <= fish.length_mm <= species.length_mm[2]
        assert fish.weight_g > 0
        assert fish.recorded_mm <= round(fish.length_mm)
        assert fish.sex in {"F", "M", "U"}


def test_fork_length_is_recorded_for_shad_catfish_and_sturgeon() -> None:
    # handbook 1, "Fork length": shad, herring, catfish, sturgeon
    assert {code for code in CODES if SPECIES[code].length_type == "FL"} == {"AMS", "BCF", "CCF", "WCF", "SNS"}
