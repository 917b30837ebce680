"""What one look says of what stands before a fixed camera, in a few numbers; no pixel is kept.

Comes in: a picture's sketch, its pixels and the empty view. Goes out: a :class:`View`. Judging is done in
``view_checks``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from passage_cv.intake.flanks import flank_marks
from passage_cv.intake.outlines import shape_numbers
from passage_cv.intake.sketches import Backdrop, Body, Grey, find_bodies
from passage_cv.intake.trees import read_trees

FAINT = 0.6
"""Share of the usual strictness at which a view must still show nothing to be called empty [ours]."""
STRIP = 3
"""Times its own thickness along the frame from which a body is a moved edge of the flume, no fish [ours]."""
CUT_SHARE, CUT_PX = 0.55, 4
"""Pixels along the frame, in parts of the body's thickness and at least, from which the frame cuts it [ours]."""
FAR = 100.0
"""Log-odds of what nothing speaks for are minus this."""


@dataclass(frozen=True, slots=True)
class View:
    """How many bodies stand in a view, whether the frame cuts one, and log-odds of two fish and of a rider."""

    n_bodies: int
    is_cut: bool = False
    two_fish: float = -FAR
    rider: float = -FAR


def view_of(sketch: bytes, pixels: Grey, backdrop: Backdrop) -> View:
    """Look at one picture.

    Parameters
    ----------
    sketch
        The picture as ``sketches.sketch_of`` gives it.
    pixels
        As decoded, (height, width) or with channels behind: the finer they are, the plainer a rider.
    backdrop
        What its camera sees without fish.
    """
    bodies = find_bodies(sketch, backdrop)
    if not bodies:
        return View(len(find_bodies(sketch, backdrop, strictness=FAINT)[:1]))
    marks = flank_marks(pixels, bodies[0]).numbers
    return View(
        n_bodies=len(bodies),
        is_cut=_is_cut(bodies),
        two_fish=float(read_trees("two_fish").score(shape_numbers(bodies)[None])[0]),
        rider=float(read_trees("riders").score(marks).max(initial=-FAR)),
    )


def _is_cut(bodies: Sequence[Body]) -> bool:
    return any(max(CUT_PX, CUT_SHARE * one.thick) <= one.at_frame < STRIP * one.thick for one in bodies[:2])
