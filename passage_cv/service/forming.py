"""Frames in a row that show something become one presentation, with the views that the gate will decide on.

Comes in: frames with what they show, and the plant's trigger where there is one. Goes out: a presentation as soon as
the view is empty again, or at once when it lasts too long. Which views are used is fixed here: the largest ones, in
the order in which they came; only those are kept, however long a fish stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from passage_cv.gate.site import Trigger
from passage_cv.service.frames import Frame
from passage_cv.service.presence import Box, View, overlap

GAP = 2
"""Empty frames that end a presentation [ours]."""
LONGEST_S = 6.0
"""Seconds after which a presentation is decided although something is still in view [ours]; a site's setting."""
LEAST_OVERLAP = 0.1
"""Share of the smaller box that two frames in a row must share to show one animal [ours]."""
TWO_FISH = "two fish in view"
TOO_LONG = "in view too long"
TRACK_LOST = "track lost"
NO_TRIGGER = "no trigger came"
EMPTY = "empty view"


@dataclass(frozen=True, slots=True)
class Presentation:
    """One animal, as far as one can tell: the frames to decide on, and why it must be held, if so."""

    frames: tuple[Frame, ...]
    hold_reason: str
    first_s: float
    last_s: float
    sharpness: float | None = None


@dataclass(frozen=True, slots=True)
class _Seen:
    """A usable frame and how much of it something takes."""

    number: int
    frame: Frame
    view: View

    @property
    def size(self) -> float:
        return sum(self.view.areas)


@dataclass(slots=True)
class Former:
    """Collects frames; ``views`` is how many of a presentation the gate uses."""

    views: int
    longest_s: float = LONGEST_S
    trigger: Trigger = field(default_factory=Trigger)
    _best: list[_Seen] = field(default_factory=list)
    _seen: int = 0
    _empty: int = 0
    _first_s: float = 0.0
    _last_s: float = 0.0
    _box: Box | None = None
    _problem: str = ""
    _doubt: str = ""
    _triggers: list[float] = field(default_factory=list)

    def note_trigger(self, at_s: float) -> None:
        """The plant said that a fish comes."""
        self._triggers.append(at_s)

    def add(self, frame: Frame, view: View) -> Presentation | None:
        """Take one frame; gives a presentation when one has ended with it."""
        if view.is_empty:
            self._empty += 1
            return self.finish() if self._seen and self._empty >= GAP else self._overdue(frame.at_s)
        if not self._seen:
            self._first_s = frame.at_s
        self._empty, self._seen, self._last_s = 0, self._seen + 1, frame.at_s
        self._problem = self._problem or view.problem
        self._doubt = self._doubt or self._doubtful(view)
        if not view.problem:
            self._keep(_Seen(self._seen, frame, view))
        return self.finish() if self._is_too_long() else None

    def finish(self) -> Presentation | None:
        """What has been collected so far, as when the camera ends; None where there is nothing."""
        if not self._seen:
            return None
        best = sorted(self._best, key=lambda one: one.number)
        made = Presentation(
            frames=tuple(one.frame for one in best),
            hold_reason=self._hold_reason(),
            first_s=self._first_s,
            last_s=self._last_s,
            sharpness=_mean([one.view.sharpness for one in best if one.view.sharpness is not None]),
        )
        self._best, self._seen, self._empty, self._box, self._problem, self._doubt = [], 0, 0, None, "", ""
        self._triggers = []
        return made

    def _keep(self, one: _Seen) -> None:
        """Hold on to the largest views; of two as large, to the earlier."""
        self._best = sorted([*self._best, one], key=lambda seen: (-seen.size, seen.number))[: self.views]

    def _doubtful(self, view: View) -> str:
        """Two things at once, or one that shares no place with that of the frame before."""
        before, self._box = self._box, view.box or self._box
        if len(view.areas) > 1:
            return TWO_FISH
        lost = before is not None and view.box is not None and overlap(before, view.box) < LEAST_OVERLAP
        return TRACK_LOST if lost else ""

    def _is_too_long(self) -> bool:
        return self._last_s - self._first_s >= self.longest_s

    def _hold_reason(self) -> str:
        """Why the fish is held: a frame that could not be used may have shown anything, and two may have passed."""
        if self._problem or self._doubt:
            return self._problem or self._doubt
        if self.trigger.source != "none" and len(self._triggers) != 1:
            return TWO_FISH if self._triggers else NO_TRIGGER
        return TOO_LONG if self._is_too_long() else ""

    def _overdue(self, now_s: float) -> Presentation | None:
        """A trigger after which nothing came into view: somebody must look."""
        if self._seen or not self._triggers or now_s - self._triggers[0] <= self.trigger.window_s:
            return None
        at_s = self._triggers.pop(0)
        return Presentation(frames=(), hold_reason=EMPTY, first_s=at_s, last_s=now_s)


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None
