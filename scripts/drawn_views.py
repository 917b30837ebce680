"""Scenes of a fixed camera, drawn: nothing, a whole fish, two fish, one with a rider, one that the frame cuts.

Knows nothing of the checks that should tell them apart; ``view_table``, ``fit_views`` and ``detectors`` use it.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import replace

import cv2
import numpy as np

from passage_cv.demo import picture
from passage_cv.demo.picture import render
from passage_cv.demo.shot import WIDTH, Shot, Subject
from passage_cv.demo.species import CODES, draw_fish

Rgb = np.ndarray
EMPTY = "marked empty"
FISH_LEVELS = 14
"""Levels by which a drawn pixel must differ from the same view without fish to be of the fish."""
RIDER_LEVELS = 5
"""Levels by which it must differ from the same fish without riders to be of a rider."""
FISH_OF = {EMPTY: 0, "nothing": 0, "two": 2}
"""Fish of a kind of view; every other kind shows one."""
Order = tuple[str, Shot]


def scene_orders(rng: np.random.Generator, base: Shot, counts: Mapping[str, int]) -> list[Order]:
    """So many views of each kind before one camera in one light and water, after six that are marked as empty."""
    orders = [(EMPTY, shot_of(rng, base, 0)) for _ in range(6)]
    for kind, n in counts.items():
        orders += [(kind, shot_of(rng, base, FISH_OF.get(kind, 1), kind)) for _ in range(n)]
    return orders


def shot_of(rng: np.random.Generator, base: Shot, n_fish: int, kind: str = "") -> Shot:
    """One picture of a scene: its water drifts by a tenth."""
    fish = tuple(
        Subject(draw_fish(str(rng.choice(list(CODES))), rng), "left" if rng.random() < 0.5 else "right")
        for _ in range(n_fish)
    )
    ntu = base.turbidity_ntu * float(rng.uniform(0.9, 1.1))
    seed = int(rng.integers(2**31))
    shot = replace(base, turbidity_ntu=ntu, seed=seed, subjects=fish, attached=kind == "rider")
    return shot if kind not in {"clean", "rider"} or stands_whole(shot) else shot_of(rng, base, n_fish, kind)


def stands_whole(shot: Shot) -> bool:
    """Whether nothing of the fish lies on the frame, by the drawing itself."""
    nothing = render(replace(shot, subjects=(), attached=False)).astype(np.int16)
    changed = np.abs(render(replace(shot, attached=False)) - nothing).max(axis=2) > FISH_LEVELS
    return not any(side.sum() > 3 for side in (changed[:, :4], changed[:, -4:], changed[:4], changed[-4:]))


def drawn(order: Order) -> Rgb:
    """The view, uint8 (540, 960, 3)."""
    cv2.setNumThreads(1)
    kind, shot = order
    return cut_off(shot) if kind == "cut" else render(shot)


def cut_off(shot: Shot) -> Rgb:
    """The same view with its fish moved sideways until the frame has 35 to 70 % of it."""
    rng = np.random.default_rng([shot.seed, 3])
    nothing = render(replace(shot, subjects=())).astype(np.int16)
    fish = render(shot).astype(np.int16) - nothing
    columns = np.flatnonzero((np.abs(fish).max(axis=2) > FISH_LEVELS).sum(axis=0) > 3)
    first, last = (int(columns[0]), int(columns[-1])) if len(columns) else (300, 600)
    lost = round(float(rng.uniform(0.35, 0.70)) * (last - first))
    by = -(first + lost) if rng.random() < 0.5 else WIDTH - 1 - (last - lost)
    moved = np.zeros_like(fish)
    moved[:, max(by, 0) : WIDTH + min(by, 0)] = fish[:, max(-by, 0) : WIDTH - max(by, 0)]
    return np.clip(nothing + moved, 0, 255).astype(np.uint8)


def rider_pixels(shot: Shot) -> np.ndarray:
    """Where riders show, bool (540, 960): against the same fish whose riders are painted on a sheet that is lost."""
    paint = picture.paint_rider
    with_riders = render(shot).astype(np.int16)
    picture.paint_rider = lambda canvas, rng: paint(copy.deepcopy(canvas), rng)
    try:
        return np.abs(render(shot) - with_riders).max(axis=2) > RIDER_LEVELS
    finally:
        picture.paint_rider = paint
