"""Drawn views to hold: one folder per kind, the same seed draws the same bytes, a cut-off fish touches a side."""

from pathlib import Path

import cv2
import numpy as np

from passage_cv.demo.bad_views import DRAWN, write_bad_views
from passage_cv.demo.bad_views import _framed as framed
from passage_cv.demo.shot import HEIGHT, WIDTH


def test_each_kind_has_its_folder_and_the_seed_decides(tmp_path: Path) -> None:
    write_bad_views(tmp_path / "a", seed=3, per_kind=1)
    write_bad_views(tmp_path / "b", seed=3, per_kind=1)
    assert {path.name for path in (tmp_path / "a").iterdir()} == set(DRAWN)
    for kind in DRAWN:
        first, second = ((tmp_path / name / kind / "0000.jpg").read_bytes() for name in "ab")
        assert first == second
        assert cv2.imdecode(np.frombuffer(first, np.uint8), 1).shape == (HEIGHT, WIDTH, 3)


def test_a_window_cuts_the_fish_at_one_side_and_keeps_part_of_it() -> None:
    for seed in range(60):
        rng = np.random.default_rng(seed)
        first = int(rng.integers(0, 400))
        last = first + int(rng.integers(150, WIDTH - first - 1))
        picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
        picture[200:340, first : last + 1] = 255
        window = framed(picture, first, last, rng)
        assert window.shape == picture.shape
        is_fish = window[HEIGHT // 2, :, 0] > 127
        assert is_fish[0] or is_fish[-1]
        assert is_fish.any()
