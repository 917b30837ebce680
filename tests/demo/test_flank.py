"""Coats: an animal keeps its pattern, and the marks that tell a species are there."""

from dataclasses import replace

import numpy as np
import pytest

from passage_cv.demo.flank import COLUMNS, ROWS, draw_flank
from passage_cv.demo.species import CODES, Fish, draw_fish


def _fish(code: str, seed: int = 2, **given: object) -> Fish:
    return replace(draw_fish(code, np.random.default_rng(seed)), **given)  # type: ignore[arg-type]


@pytest.mark.parametrize("code", CODES)
def test_a_flank_is_the_animals_own(code: str) -> None:
    fish = _fish(code)
    flank = draw_flank(fish, 0)
    assert flank.shape == (ROWS, COLUMNS, 3)
    assert (flank == draw_flank(fish, 0)).all()
    assert (flank != draw_flank(replace(fish, seed=fish.seed + 1), 0)).any()


@pytest.mark.parametrize("code", CODES)
def test_backs_are_darker_than_bellies(code: str) -> None:
    flank = draw_flank(_fish(code), 0)
    assert flank[:10].mean() < 0.75 * flank[-10:].mean()


def test_male_bowfin_has_the_ringed_spot_at_the_tail_base() -> None:
    # handbook 9, BOW: "males dark spot ringed yellow or orange at upper tail base"
    where = np.s_[int(0.22 * ROWS) : int(0.36 * ROWS), int(0.865 * COLUMNS) : int(0.885 * COLUMNS)]
    male, female = (draw_flank(_fish("BOW", sex=sex), 0)[where].mean() for sex in "MF")
    assert male < 0.7 * female


def test_channel_catfish_lose_their_spots_with_size() -> None:
    # handbook 9, CCF: "small dark spots, lost in old fish"
    def roughness(length_mm: float) -> float:
        side = draw_flank(_fish("CCF", length_mm=length_mm), 0)[20:80, 130:430].astype(float)
        return float(np.abs(np.diff(side, axis=1)).mean())

    assert roughness(280) > 1.5 * roughness(640)


def test_striped_bass_has_seven_or_eight_stripes() -> None:
    # handbook 9, STB: "7-8 dark side stripes"
    for seed in range(6):
        across = draw_flank(_fish("STB", seed), 0)[:, 160:240, 1].astype(float).mean(axis=1)
        smooth = np.convolve(across, np.ones(25) / 25, "same")
        dark = (across < smooth - 4)[8:100]
        stripes = int((np.diff(dark.astype(int)) == 1).sum())
        assert 6 <= stripes <= 8
