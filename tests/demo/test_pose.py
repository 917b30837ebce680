"""Straight fish are laid where the pose says."""

import numpy as np
import pytest

from passage_cv.demo.canvas import Canvas
from passage_cv.demo.pose import Pose, draw_pose, lay
from passage_cv.demo.shot import HEIGHT, WIDTH


def _marked() -> Canvas:
    """A bar along the axis, red in front, with green above it."""
    canvas = Canvas(400, above=0.2, below=0.2)
    canvas.fill(np.array([(0, 0.02), (1, 0.02), (1, -0.02), (0, -0.02)]), colour=(0, 0, 1))
    canvas.fill(np.array([(0, 0.02), (0.2, 0.02), (0.2, -0.02), (0, -0.02)]), colour=(1, 0, 0))
    canvas.fill(np.array([(0.4, 0.12), (0.6, 0.12), (0.6, 0.06), (0.4, 0.06)]), colour=(0, 1, 0))
    return canvas


def _straight(*, mirrored: bool) -> Pose:
    x = np.linspace(280, 680, 49)
    axis = np.stack([x[::-1] if mirrored else x, np.full(49, 270.0)], axis=1)
    tangent = np.tile([-1.0 if mirrored else 1.0, 0.0], (49, 1))
    return Pose(axis, tangent, 400.0, -1.0 if mirrored else 1.0)


def _picture(pose: Pose) -> np.ndarray:
    laid = lay(_marked(), pose)
    assert laid is not None
    region, layer = laid
    whole = np.zeros((HEIGHT, WIDTH, 4), np.uint8)
    whole[region] = layer
    return whole


@pytest.mark.parametrize(("mirrored", "head", "tail"), [(False, 300, 660), (True, 660, 300)])
def test_head_back_and_belly_are_where_they_belong(mirrored: bool, head: int, tail: int) -> None:
    whole = _picture(_straight(mirrored=mirrored))
    assert whole[270, head].tolist() == [255, 0, 0, 255]
    assert whole[270, tail].tolist() == [0, 0, 255, 255]
    assert whole[234, 480].tolist() == [0, 255, 0, 255]  # 0.09 of 400 pixels above the axis, in the picture upward
    assert whole[306, 480, 3] == 0


def test_length_in_pixels_is_kept() -> None:
    covered = np.flatnonzero(_picture(_straight(mirrored=False))[270, :, 3] > 127)
    assert covered[-1] - covered[0] + 1 == pytest.approx(400, abs=2)


def test_a_fish_outside_the_picture_lays_nothing() -> None:
    pose = _straight(mirrored=False)
    away = Pose(pose.axis + np.array([2000.0, 0]), pose.tangent, pose.length_px, pose.up)
    assert lay(_marked(), away) is None


def test_most_fish_are_whole_and_some_are_cut_off() -> None:
    rng = np.random.default_rng(4)
    cut = 0
    for _ in range(400):
        axis = draw_pose("WSK", 400, "left", rng).axis
        cut += bool(axis[:, 0].min() < 0 or axis[:, 0].max() > WIDTH)
    # one in eight is meant to be cut off; 400 draws, five standard errors
    assert abs(cut / 400 - 0.12) < 5 * np.sqrt(0.12 * 0.88 / 400)


def test_eels_bend_more_than_suckers() -> None:
    rng = np.random.default_rng(5)

    def bend(code: str) -> float:
        turns = [np.ptp(np.unwrap(np.arctan2(*draw_pose(code, 500, "top", rng).tangent.T[::-1]))) for _ in range(40)]
        return float(np.median(turns))

    assert bend("EEL") > 2 * bend("WSK")
