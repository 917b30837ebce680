"""Reference pictures: a few real ones per class, kept as original bytes, with what the model said of them.

They show at the gate computer that decoding, crop, model and decision still do what they did at export.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np

from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import decide
from passage_cv.gate.cases import read_cases, write_cases
from passage_cv.gate.format import PICTURE_CASES, PICTURES
from passage_cv.gate.reference import stated_reason
from passage_cv.gate.views import Logits, Model, look_at_pictures, read_picture
from passage_cv.progress import Progress, silent, tracked
from passage_cv.recognition.crop import CropSettings
from passage_cv.records import Action


@dataclass(frozen=True, slots=True)
class ReferencePicture:
    """A picture that the caller picked: which presentation it is a view of, its true class, its file.

    Views of one presentation follow each other in the order in which they were taken.
    """

    presentation: str
    label: str
    path: Path


@dataclass(frozen=True, slots=True)
class PictureCase:
    """One presentation: its files below the package, logits of shape (n_views, n_classes), and the action."""

    presentation: str
    label: str
    files: tuple[str, ...]
    logits: Logits
    score: float
    action: Action
    reason: str


def build_picture_cases(
    pictures: Sequence[ReferencePicture],
    model: Model,
    crop: CropSettings,
    cutoffs: Cutoffs,
    progress: Progress = silent,
) -> tuple[tuple[PictureCase, ...], dict[str, bytes]]:
    """Score each presentation and decide it; returns the cases and the bytes of each file.

    Raises
    ------
    InputError
        If a picture cannot be used, or a presentation has more views than the gate takes.
    """
    grouped = [list(views) for _, views in groupby(pictures, key=lambda picture: picture.presentation)]
    cases: list[PictureCase] = []
    contents: dict[str, bytes] = {}
    for views in tracked(grouped, "Scoring reference pictures", progress):
        data = [read_picture(view.path) for view in views][: cutoffs.views.max]
        names = [f"{PICTURES}/R{len(cases) + 1:03d}-{n}{views[n - 1].path.suffix}" for n in range(1, len(data) + 1)]
        logits, held = look_at_pictures(data, model, crop)
        made = decide(logits.astype(np.float64), cutoffs, hold_reason=held)
        cases.append(
            PictureCase(
                presentation=f"R{len(cases) + 1:03d}",
                label=views[0].label,
                files=tuple(names),
                logits=logits,
                score=made.score,
                action=made.action,
                reason=stated_reason(made),
            )
        )
        contents |= dict(zip(names, data, strict=True))
    return tuple(cases), contents


def write_picture_cases(cases: Sequence[PictureCase], classes: tuple[str, ...]) -> bytes:
    """The cases as CSV, a line per picture; score, action and reason are those of the presentation."""
    return write_cases(_headings(classes), (row for case in cases for row in _rows(case)))


def read_picture_cases(folder: Path, classes: tuple[str, ...]) -> tuple[PictureCase, ...]:
    """Read the reference pictures' cases of a package folder.

    Raises
    ------
    InputError
        If the headings are not those of these classes, in this order, or a cell cannot be read.
    """
    return read_cases(folder / PICTURE_CASES, _headings(classes), _read_case)


def _rows(case: PictureCase) -> Iterator[list[str]]:
    told = [repr(case.score), case.action.value, case.reason]
    for view, (file, row) in enumerate(zip(case.files, case.logits, strict=True), start=1):
        yield [case.presentation, str(view), file, case.label, *(repr(float(value)) for value in row), *told]


def _headings(classes: tuple[str, ...]) -> list[str]:
    logits = [f"logit:{name}" for name in classes]
    return ["presentation", "view", "file", "class", *logits, "score", "action", "reason"]


def _read_case(rows: list[list[str]]) -> PictureCase:
    first = rows[0]
    return PictureCase(
        presentation=first[0],
        label=first[3],
        files=tuple(row[2] for row in rows),
        logits=np.array([[float(cell) for cell in row[4:-3]] for row in rows], dtype=np.float32),
        score=float(first[-3]),
        action=Action(first[-2]),
        reason=first[-1],
    )
