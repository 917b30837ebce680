"""Contact sheets: many pictures of a species, or of look-alikes beside each other, on one page to judge by eye."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from passage_cv.demo.picture import render
from passage_cv.demo.shot import HEIGHT, WIDTH, Shot, Subject, View
from passage_cv.demo.sites import SETUPS
from passage_cv.demo.species import LOOK_ALIKES, SPECIES, draw_fish
from passage_cv.errors import InputError
from passage_cv.files import write_bytes

Rgb = npt.NDArray[np.uint8]
_VIEWS: tuple[View, ...] = ("left", "right", "left", "top")
_WATERS = (8.0, 12.0, 18.0, 25.0, 40.0, 70.0)


def contact_sheet(
    codes: Sequence[str],
    path: Path,
    *,
    seed: int = 1,
    per_species: int = 8,
    columns: int = 4,
    cell_width: int = 480,
    turbidity_ntu: float | None = None,
) -> Path:
    """Draw a page of pictures, each labelled with code and length.

    Parameters
    ----------
    codes
        Species, one block after the other.
    path
        ``.jpg`` or ``.png``.
    turbidity_ntu
        The same water for all; by default it grows from clear to turbid along the page.

    Returns
    -------
    Path
        ``path``.

    Raises
    ------
    InputError
        If a code is unknown.
    """
    unknown = [code for code in codes if code not in SPECIES]
    if unknown:
        raise InputError(f"Unknown species {unknown}, known are {', '.join(SPECIES)}", do="Correct the codes.")
    cells = [
        _labelled(*_example(code, place, seed, turbidity_ntu), cell_width)
        for code in codes
        for place in range(per_species)
    ]
    cells += [np.zeros_like(cells[0])] * (-len(cells) % columns)
    rows = [np.concatenate(cells[i : i + columns], axis=1) for i in range(0, len(cells), columns)]
    page = cv2.cvtColor(np.concatenate(rows), cv2.COLOR_RGB2BGR)
    write_bytes(path, cv2.imencode(path.suffix, page)[1].tobytes())
    return path


def write_contact_sheets(folder: Path, *, seed: int = 1) -> list[Path]:
    """Write one page per species and one per set of look-alikes (file names tell which)."""
    singles = [contact_sheet([code], folder / f"{code}.jpg", seed=seed, per_species=12) for code in SPECIES]
    sets = [contact_sheet(codes, folder / f"{'-'.join(codes)}.jpg", seed=seed) for codes in LOOK_ALIKES]
    return singles + sets


def _example(code: str, place: int, seed: int, turbidity_ntu: float | None) -> tuple[Rgb, str]:
    """One picture of the page and its label; set-ups, lights and views take turns."""
    rng = np.random.default_rng([seed, place, *code.encode()])
    setup_id = tuple(SETUPS)[place % len(SETUPS)]
    fish = draw_fish(code, rng)
    shot = Shot(
        setup_id=setup_id,
        light="day" if place % 3 < 2 else SETUPS[setup_id].night,
        turbidity_ntu=_WATERS[place % len(_WATERS)] if turbidity_ntu is None else turbidity_ntu,
        day_seed=seed,
        seed=int(rng.integers(2**62)),
        subjects=(Subject(fish, _VIEWS[place % len(_VIEWS)]),),
    )
    return render(shot), f"{code} {fish.length_mm:.0f} mm {shot.turbidity_ntu:.0f} NTU"


def _labelled(picture: Rgb, label: str, width: int) -> Rgb:
    small = cv2.resize(picture, (width, width * HEIGHT // WIDTH), interpolation=cv2.INTER_AREA)
    left, low = 6, small.shape[0] - 8
    for shift, colour in ((1, (0, 0, 0)), (0, (255, 255, 255))):
        at = (left + shift, low + shift)
        cv2.putText(small, label, at, cv2.FONT_HERSHEY_SIMPLEX, 0.45, colour, 1, cv2.LINE_AA)
    return np.asarray(small)
