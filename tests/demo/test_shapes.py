"""The drawn forms have the proportions of handbook section 9, table "Traits for a drawn fish"."""

import numpy as np
import pytest

from passage_cv.demo.shapes import SHAPES

# code: depth, head, dorsal base(s), anal base, pelvic origin - copied from the handbook's table
TRAITS = {
    "NSH": (0.15, 0.27, ((0.30, 0.86),), (0.50, 0.86), 0.30),
    "BOW": (0.19, 0.24, ((0.36, 0.86),), (0.64, 0.73), 0.47),
    "ASE": (0.05, 0.08, (), None, None),
    "EEL": (0.06, 0.12, ((0.33, 1.0),), (0.45, 1.0), None),
    "BCF": (0.22, 0.22, ((0.33, 0.40),), (0.55, 0.83), 0.46),
    "CCF": (0.20, 0.22, ((0.32, 0.39),), (0.58, 0.79), 0.46),
    "WCF": (0.22, 0.25, ((0.34, 0.41),), (0.60, 0.77), 0.47),
    "AMS": (0.25, 0.20, ((0.40, 0.50),), (0.64, 0.76), 0.43),
    "STB": (0.23, 0.27, ((0.30, 0.46), (0.50, 0.62)), (0.60, 0.70), 0.28),
    "WPE": (0.30, 0.28, ((0.30, 0.48), (0.48, 0.62)), (0.58, 0.70), 0.29),
    "WSK": (0.19, 0.20, ((0.42, 0.56),), (0.72, 0.79), 0.50),
    "GZS": (0.30, 0.20, ((0.42, 0.50),), (0.58, 0.80), 0.42),
    "SNS": (0.13, 0.22, ((0.70, 0.80),), (0.75, 0.81), 0.62),
}


@pytest.mark.parametrize("code", TRAITS)
def test_body_depth_and_head_length_are_the_handbooks(code: str) -> None:
    depth, head, *_ = TRAITS[code]
    shape = SHAPES[code]
    places = np.linspace(0, 0.85, 200)
    back, belly = (np.interp(places, *np.array(line).T) for line in (shape.back, shape.belly))
    assert (back - belly).max() == pytest.approx(depth, abs=0.005)
    assert shape.head.length == pytest.approx(head, abs=0.006)


@pytest.mark.parametrize("code", TRAITS)
def test_fins_stand_where_the_handbook_says(code: str) -> None:
    _, _, dorsal, anal, pelvic = TRAITS[code]
    shape = SHAPES[code]
    backs = [fin.base for fin in shape.fins if fin.edge == "back"]
    bellies = [fin.base for fin in shape.fins if fin.edge == "belly"]
    assert backs == [pytest.approx(base, abs=0.014) for base in dorsal]
    assert bellies[:1] == ([pytest.approx(anal, abs=0.014)] if anal else [])
    assert (shape.pelvic is None) == (pelvic is None)
    if shape.pelvic is not None and pelvic is not None:
        assert shape.pelvic.at[0] == pytest.approx(pelvic, abs=0.01)


def test_look_alikes_differ_in_the_traits_that_tell_them_apart() -> None:
    # handbook 9, "Telling marks": ray counts and fins
    anal = {code: [fin for fin in SHAPES[code].fins if fin.edge == "belly"] for code in SHAPES}
    assert 31 <= anal["NSH"][0].rays <= 38
    assert 9 <= anal["BOW"][0].rays <= 12
    assert 30 <= anal["BCF"][0].rays <= 36
    assert 24 <= anal["CCF"][0].rays <= 29
    assert 19 <= anal["WCF"][0].rays <= 25
    assert SHAPES["ASE"].pectoral is None
    assert SHAPES["EEL"].pectoral is not None
    assert all(barbel.pale for barbel in SHAPES["WCF"].head.barbels[2:])
    tails = {code: shape.tail for code, shape in SHAPES.items()}
    assert tails["WCF"] is not None
    assert tails["BCF"] is not None
    assert tails["WCF"].fork > tails["BCF"].fork


@pytest.mark.parametrize("code", SHAPES)
def test_contours_run_from_snout_to_tail_and_never_cross(code: str) -> None:
    shape = SHAPES[code]
    for line in (shape.back, shape.belly, shape.width):
        places = [t for t, _ in line]
        assert places == sorted(places)
        assert places[0] == 0
    assert all(y >= 0 for _, y in shape.width)
    assert shape.back[0][1] >= shape.belly[0][1]
