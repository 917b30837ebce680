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
from passage_cv.decision.rule import decide, unfamiliarity_of
from passage_cv.gate.cases import UNFAMILIARITY, read_cases, write_cases
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
    """One presentation: its files below the package, logits of shape (n_views, n_classes), and the action.

    ``said`` is what the model says of each view, None where the cutoffs do not take unfamiliarity from the model.
    """

    presentation: str
    label: str
    files: tuple[str, ...]
    logits: Logits
    score: float
    action: Action
    reason: str
    said: Logits | None = None

    def unfamiliarity(self, cutoffs: Cutoffs) -> float:
        """How unlike everything learnt it looks, under the cutoffs it was made for."""
        return unfamiliarity_of(self.logits, cutoffs, said=self.said)


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
        sight = look_at_pictures(data, model, crop)
        far = unfamiliarity_of(sight.logits, cutoffs, said=sight.unfamiliarity)
        made = decide(sight.logits.astype(np.float64), cutoffs, hold_reason=sight.held, unfamiliarity=far)
        cases.append(
            PictureCase(
                presentation=f"R{len(cases) + 1:03d}",
                label=views[0].label,
                files=tuple(names),
                logits=sight.logits,
                score=made.score,
                action=made.action,
                reason=stated_reason(made),
                said=sight.unfamiliarity if cutoffs.hold_rules.unfamiliarity_from == "model" else None,
            )
        )
        contents |= dict(zip(names, data, strict=True))
    return tuple(cases), contents


def write_picture_cases(cases: Sequence[PictureCase], classes: tuple[str, ...]) -> bytes:
    """The cases as CSV, a line per picture; score, action and reason are those of the presentation."""
    is_said = any(case.said is not None for case in cases)
    return write_cases(_headings(classes, is_said=is_said), (row for case in cases for row in _rows(case)))


def read_picture_cases(folder: Path, classes: tuple[str, ...]) -> tuple[PictureCase, ...]:
    """Read the reference pictures' cases of a package folder.

    Raises
    ------
    InputError
        If the headings are not those of these classes, in this order, or a cell cannot be read.
    """
    both = [_headings(classes, is_said=is_said) for is_said in (False, True)]
    return read_cases(folder / PICTURE_CASES, both, lambda rows: _read_case(rows, classes))


def _rows(case: PictureCase) -> Iterator[list[str]]:
    told = [repr(case.score), case.action.value, case.reason]
    for view, (file, row) in enumerate(zip(case.files, case.logits, strict=True)):
        said = [] if case.said is None else [repr(float(case.said[view]))]
        logits = [repr(float(value)) for value in row]
        yield [case.presentation, str(view + 1), file, case.label, *said, *logits, *told]


def _headings(classes: tuple[str, ...], *, is_said: bool) -> list[str]:
    said = [UNFAMILIARITY] if is_said else []
    logits = [f"logit:{name}" for name in classes]
    return ["presentation", "view", "file", "class", *said, *logits, "score", "action", "reason"]


def _read_case(rows: list[dict[str, str]], classes: tuple[str, ...]) -> PictureCase:
    first = rows[0]
    said = [float(row[UNFAMILIARITY]) for row in rows if UNFAMILIARITY in row]
    return PictureCase(
        presentation=first["presentation"],
        label=first["class"],
        files=tuple(row["file"] for row in rows),
        logits=np.array([[float(row[f"logit:{name}"]) for name in classes] for row in rows], dtype=np.float32),
        score=float(first["score"]),
        action=Action(first["action"]),
        reason=first["reason"],
        said=np.array(said, dtype=np.float32) if said else None,
    )
