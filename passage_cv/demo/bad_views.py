"""Views on which no fish may be decided, drawn for training the rules that hold them: one folder per kind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import simplejpeg

from passage_cv.demo.picture import QUALITY, render
from passage_cv.demo.shot import HEIGHT, WIDTH, Shot, Subject, View
from passage_cv.demo.sites import SETUPS
from passage_cv.demo.species import CODES, draw_fish
from passage_cv.files import write_bytes
from passage_cv.parallel import map_items
from passage_cv.progress import Progress, silent

Rgb = npt.NDArray[np.uint8]
_SIDES: tuple[View, ...] = ("left", "right")
_SEEN = 14
"""Levels by which a pixel must differ from the empty view to be of the fish; noise differs by less."""


@dataclass(frozen=True, slots=True)
class _Order:
    """One picture to be drawn."""

    kind: str
    path: Path
    seed: int


def write_bad_views(folder: Path, *, seed: int, per_kind: int = 80, progress: Progress = silent) -> Path:
    """Draw views of each kind, at every set-up, by day and night, in clear and turbid water.

    Parameters
    ----------
    folder
        Gets a sub-folder per kind.
    seed
        The same seed gives the same bytes.
    per_kind
        Pictures of each kind.
    """
    orders = [
        _Order(kind, folder / kind / f"{number:04d}.jpg", seed * 1_000_003 + 1_009 * place + number)
        for place, kind in enumerate(DRAWN)
        for number in range(per_kind)
    ]
    map_items(_draw, orders, label="Drawing views to hold", progress=progress)
    return folder


def _draw(order: _Order) -> None:
    cv2.setNumThreads(1)  # the pool already uses every core
    rng = np.random.default_rng([order.seed, 2031])
    jpeg = simplejpeg.encode_jpeg(DRAWN[order.kind](rng), quality=QUALITY, colorsubsampling="420")
    write_bytes(order.path, jpeg, durable=False)


def _shot(rng: np.random.Generator, subjects: Sequence[Subject], *, attached: bool = False) -> Shot:
    setup_id = str(rng.choice(list(SETUPS)))
    return Shot(
        setup_id=setup_id,
        light="day" if rng.random() < 0.6 else SETUPS[setup_id].night,
        turbidity_ntu=float(np.exp(rng.uniform(np.log(8), np.log(50)))),
        day_seed=int(rng.integers(2**62)),
        seed=int(rng.integers(2**62)),
        subjects=tuple(subjects),
        attached=attached,
    )


def _subject(rng: np.random.Generator) -> Subject:
    return Subject(draw_fish(str(rng.choice(list(CODES))), rng), _SIDES[int(rng.integers(2))])


def _empty(rng: np.random.Generator) -> Rgb:
    return render(_shot(rng, ()))


def _two(rng: np.random.Generator) -> Rgb:
    return render(_shot(rng, (_subject(rng), _subject(rng))))


def _attached(rng: np.random.Generator) -> Rgb:
    return render(_shot(rng, (_subject(rng),), attached=True))


def _cut_off(rng: np.random.Generator) -> Rgb:
    """A closer view whose left or right border runs through the fish, so that 35 to 70 % of it are lost."""
    while True:
        shot = _shot(rng, (_subject(rng),))
        picture = render(shot)
        off = np.abs(picture.astype(np.int16) - render(replace(shot, subjects=()))).max(axis=2)
        columns = np.flatnonzero((off > _SEEN).sum(axis=0) > 3)
        if len(columns) > WIDTH // 8:
            return _framed(picture, int(columns[0]), int(columns[-1]), rng)


def _framed(picture: Rgb, first: int, last: int, rng: np.random.Generator) -> Rgb:
    """A window of the picture with its proportions, one of whose sides runs through the fish."""
    lost = round(rng.uniform(0.35, 0.70) * (last - first))
    from_left = rng.random() < 0.5
    room = WIDTH - (first + lost) if from_left else last - lost
    width = min(round(WIDTH * rng.uniform(0.6, 0.9)), room)
    height = round(HEIGHT * width / WIDTH)
    left = first + lost if from_left else last - lost - width
    top = (HEIGHT - height) // 2
    window = picture[top : top + height, left : left + width]
    return np.asarray(cv2.resize(window, (WIDTH, HEIGHT), interpolation=cv2.INTER_LINEAR))


DRAWN: dict[str, Callable[[np.random.Generator], Rgb]] = {
    "empty view": _empty,
    "two fish in view": _two,
    "attached animal": _attached,
    "cut-off view": _cut_off,
}
"""Kinds that the demo draws, and how."""
