"""Areas, places and opacities of what is painted."""

import numpy as np
import pytest

from passage_cv.demo.body import Contour
from passage_cv.demo.canvas import Canvas, tapered


def _square(side: float) -> np.ndarray:
    return np.array([(0.3, 0), (0.3 + side, 0), (0.3 + side, side), (0.3, side)])


def test_a_polygon_covers_its_area_in_its_colour() -> None:
    canvas = Canvas(400, above=0.5, below=0.5)
    canvas.fill(_square(0.25), colour=(0.2, 0.4, 0.8))
    assert canvas.planes[3].sum() == pytest.approx((0.25 * 400) ** 2, rel=0.03)
    row, column = canvas.y0 - 50, canvas.x0 + round(0.4 * 400)
    assert canvas.planes[:, row, column] == pytest.approx([0.2, 0.4, 0.8, 1.0], abs=0.01)


def test_paint_over_paint_is_the_over_rule() -> None:
    # Porter & Duff 1984, "over", on colours multiplied by opacity: 0.5 of red over 0.5 of blue
    canvas = Canvas(100, above=0.5, below=0.5)
    canvas.fill(_square(0.3), colour=(0, 0, 1), alpha=0.5)
    canvas.fill(_square(0.3), colour=(1, 0, 0), alpha=0.5)
    assert canvas.planes[:, canvas.y0 - 15, canvas.x0 + 45] == pytest.approx([0.5, 0, 0.25, 0.75], abs=0.01)


@pytest.mark.parametrize("blur", [2.0, 6.0])
def test_blurring_keeps_the_amount_of_paint(blur: float) -> None:
    canvas = Canvas(400, above=0.5, below=0.5)
    canvas.fill(_square(0.25), colour=(1, 1, 1), blur=blur)
    assert canvas.planes[3].sum() == pytest.approx(100**2, rel=0.04)


def test_lines_thinner_than_a_pixel_fade() -> None:
    amounts = []
    for width in (0.001, 0.0025):
        canvas = Canvas(200, above=0.2, below=0.2)
        canvas.stroke(np.array([(0.1, 0.0), (0.9, 0.0)]), colour=(1, 1, 1), width=width)
        amounts.append(canvas.planes[3].sum())
    assert amounts[0] < amounts[1]


def test_what_lies_outside_the_sheet_is_left_out() -> None:
    canvas = Canvas(100, above=0.1, below=0.1)
    canvas.fill(_square(0.2) + 5, colour=(1, 1, 1))
    assert canvas.planes.sum() == 0


def test_tapered_line_is_thickest_in_the_middle() -> None:
    outline = tapered(np.stack([np.linspace(0, 1, 21), np.zeros(21)], axis=1), 0.1)
    assert np.ptp(outline[:, 1]) == pytest.approx(0.1)
    assert outline[0, 1] == pytest.approx(0)


def test_contour_passes_through_its_points_and_stays_level_beyond() -> None:
    contour = Contour(((0.0, 0.01), (0.25, 0.1), (0.81, 0.04)), 2.0)
    assert contour(np.array([0.0, 0.25, 0.81, 1.0])) == pytest.approx([0.02, 0.2, 0.08, 0.08], abs=1e-4)
