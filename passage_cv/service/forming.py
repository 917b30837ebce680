"""Frames in a row that show something become one presentation, with the views that the gate will decide on.

Comes in: frames with what they show. Goes out: a presentation as soon as the view is empty again, or at once when it
lasts too long. Which views are used is fixed here: the largest ones, in the order in which they came.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from passage_cv.service.frames import Frame
from passage_cv.service.presence import View

GAP = 2
"""Empty frames that end a presentation [ours]."""
LONGEST = 60
"""Frames after which a presentation is decided although something is still in view [ours]."""
TWO_FISH = "two fish in view"
TOO_LONG = "in view too long"


@dataclass(frozen=True, slots=True)
class Presentation:
    """One animal, as far as one can tell: the frames to decide on, and why it must be held, if so."""

    frames: tuple[Frame, ...]
    hold_reason: str
    first_s: float
    last_s: float


@dataclass(slots=True)
class Former:
    """Collects frames; ``views`` is how many of a presentation the gate uses."""

    views: int
    _seen: list[tuple[Frame, View]] = field(default_factory=list)
    _empty: int = 0

    def add(self, frame: Frame, view: View) -> Presentation | None:
        """Take one frame; gives a presentation when one has ended with it."""
        if view.is_empty:
            self._empty += 1
            return self.finish() if self._seen and self._empty >= GAP else None
        self._empty = 0
        self._seen.append((frame, view))
        return self.finish() if len(self._seen) >= LONGEST else None

    def finish(self) -> Presentation | None:
        """What has been collected so far, as when the camera ends; None where there is nothing."""
        if not self._seen:
            return None
        seen, self._seen, self._empty = self._seen, [], 0
        usable = [(frame, view) for frame, view in seen if not view.problem]
        best = sorted(range(len(usable)), key=lambda i: -sum(usable[i][1].areas))[: self.views]
        return Presentation(
            frames=tuple(usable[i][0] for i in sorted(best)),
            hold_reason=_hold_reason([view for _, view in seen]),
            first_s=seen[0][0].at_s,
            last_s=seen[-1][0].at_s,
        )


def _hold_reason(views: list[View]) -> str:
    """Why the fish is held: a frame that could not be used may have shown anything, and two may have passed."""
    problem = next((view.problem for view in views if view.problem), "")
    if problem:
        return problem
    if any(len(view.areas) > 1 for view in views):
        return TWO_FISH
    return TOO_LONG if len(views) >= LONGEST else ""
