"""A batch's pairing on its way to being confirmed: the proposal, each edit after it, and back again.

Every state lies in the batch's folder as a numbered file, so that an edit can be undone and a lost page changes
nothing. The edits themselves are intake's.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from passage_cv.errors import InputError
from passage_cv.files import write_bytes
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import read_batch
from passage_cv.intake.clock_offsets import parse_offset
from passage_cv.intake.pairing import offset_from_clock, propose_pairing, waiting_lines
from passage_cv.intake.pairing_doubts import answer_doubt, crowded_series, require_answered
from passage_cv.intake.pairing_edits import (
    assign_row,
    join_series,
    move_break,
    set_aside,
    set_clock_offset,
    set_slate,
    shift_series,
    split_series,
    take_back,
)
from passage_cv.intake.pairing_file import write_pairing
from passage_cv.intake.sheet import PAIRING
from passage_cv.intake.timeline import Timeline, decode_timeline, encode_timeline
from passage_cv.progress import Progress, silent

UNSURE = 0.7
"""Below this a series asks to be looked at; the same bound as in the finding of intake."""
ALIKE = 0.8
"""Share of series of one length from which on another length asks to be looked at [ours]."""
MOST_STATES = 400

Form = Mapping[str, str]
_WHO = "signed by"
"""Who makes an edit, put into its form by :func:`edit` over anything that was sent."""


def pair_if_needed(
    root: Path, folder: Path, *, layouts: Path, facts: Mapping[str, str], progress: Progress = silent
) -> None:
    """Put a pairing beside the sheet of a laid-out batch: the confirmed one, else the draft, else a new proposal.

    A draft that nobody touched is proposed anew where pictures came or went since.
    """
    if (root / PAIRING).is_file():
        (folder / PAIRING).unlink(missing_ok=True)
        shutil.copyfile(root / PAIRING, folder / PAIRING)
    if (folder / PAIRING).is_file():
        return
    batch = read_batch(folder, layouts=layouts, facts=facts, paired=False)
    if batch.proposals:
        return  # which column is which comes first
    number, timeline = current(root)
    if timeline is None or (number == 0 and not _fits(timeline, batch)):
        timeline = _propose(root, folder, layouts, facts, progress)
    if timeline is not None:
        write_pairing(timeline, folder / PAIRING)


def current(root: Path) -> tuple[int, Timeline | None]:
    """The number of the newest state and the timeline it holds; None before a proposal."""
    states = _states(root)
    if not states:
        return 0, None
    newest, facts = states[-1], states[-1].stat()
    return int(newest.stem), _read_state(newest, facts.st_mtime_ns, facts.st_size)


def edit(root: Path, at: int, name: str, form: Form, *, who: str = "") -> Timeline:
    """Make one edit of the state ``at`` and keep the new state.

    ``who`` stands beside what is said of clocks and doubts.

    Raises
    ------
    InputError
        If the page is older than the newest state, there is no such edit, or it would make nonsense.
    """
    timeline = _at(root, at)
    if name not in EDITS:
        raise InputError(f"There is no edit {name[:40]!r}", where="pairing", do="Use the buttons of the page.")
    changed = EDITS[name](timeline, {**form, _WHO: who})
    if at >= MOST_STATES:
        raise InputError(f"{at} edits are the most", where="pairing", do="Confirm the pairing, or propose it anew.")
    _keep(root, at + 1, changed)
    return changed


def undo(root: Path, at: int) -> Timeline:
    """Take the last edit back.

    Raises
    ------
    InputError
        If there is none, or the page is older than the newest state.
    """
    _at(root, at)
    if not at:
        raise InputError("There is no edit to undo", where="pairing", do="This is the proposal itself.")
    _states(root)[-1].unlink()
    return _at(root, at - 1)


def confirm(root: Path, at: int, who: str) -> None:
    """Sign the pairing: from now on it counts.

    Raises
    ------
    InputError
        If the page is older than the newest state, a doubt is not answered, or a series is for no line.
    """
    timeline = _at(root, at)
    require_answered(timeline, do="State the camera's offset, correct the pairing, or say why it is right as it is.")
    loose = [one for one in timeline.series if one.row is None]
    if loose:
        raise InputError(
            f"{len(loose)} series are for no line, first {loose[0].images[0]}",
            where="pairing",
            do="Give them a line, or set their pictures aside.",
        )
    write_pairing(timeline, root / PAIRING, who=who)


def forget(root: Path) -> None:
    """Begin anew: the next check proposes a pairing."""
    shutil.rmtree(_folder(root), ignore_errors=True)
    (root / PAIRING).unlink(missing_ok=True)


def thumbnails(root: Path) -> Path:
    """Where the small pictures lie."""
    return root / "thumbnails"


def is_confirmed(root: Path) -> bool:
    """Whether somebody signed it."""
    return (root / PAIRING).is_file()


def doubtful(timeline: Timeline) -> list[int]:
    """Places of the series that ask to be looked at.

    Unsure, for no line, two for one line, with many times the pictures of others; or longer or shorter than most,
    where most are alike.
    """
    crowded, long = set(timeline.crowded_rows), set(crowded_series(timeline))
    lengths = Counter(len(one.images) for one in timeline.series).most_common(1)
    usual = lengths[0][0] if lengths and lengths[0][1] >= ALIKE * len(timeline.series) else 0
    return [
        place
        for place, one in enumerate(timeline.series)
        if one.row is None
        or one.row in crowded
        or one.sure < UNSURE
        or place in long
        or (usual and len(one.images) != usual and not one.by_hand)
    ]


def summary(batch: CheckedBatch, root: Path) -> dict[str, Any]:
    """What the batch's page says of its pairing; empty where none was needed."""
    pairing = batch.pairing
    if pairing is None:
        return {}
    timeline = current(root)[1]
    unsure = len(doubtful(timeline)) if timeline else 0
    who = "" if pairing.is_draft else pairing.who
    return {"who": who, "series": len(pairing.series), "unsure": unsure, "aside": len(pairing.aside)}


def _propose(
    root: Path, folder: Path, layouts: Path, facts: Mapping[str, str], progress: Progress
) -> Timeline | None:
    shutil.rmtree(_folder(root), ignore_errors=True)
    try:
        timeline = propose_pairing(
            folder, layouts=layouts, facts=facts, thumbnails=thumbnails(root), progress=progress
        )
    except InputError:  # no line waits for pictures, or no picture for a line: nothing to pair
        return None
    _keep(root, 0, timeline)
    return timeline


def _fits(timeline: Timeline, batch: CheckedBatch) -> bool:
    """Whether the pictures and lines that wait for each other are those of the timeline."""
    same = {(line.row, line.fish) for line in timeline.lines} == {(one.row, one.fish) for one in waiting_lines(batch)}
    return same and {shot.image for shot in timeline.shots} == set(batch.stray)


def _at(root: Path, at: int) -> Timeline:
    number, timeline = current(root)
    if timeline is None or number != at or is_confirmed(root):
        raise InputError("The pairing has changed since this page", where="pairing", do="Load the page again.")
    return timeline


def _keep(root: Path, number: int, timeline: Timeline) -> None:
    write_bytes(_folder(root) / f"{number:04d}.json", encode_timeline(timeline))


def _folder(root: Path) -> Path:
    return root / "pairing"


def _states(root: Path) -> list[Path]:
    return sorted(_folder(root).glob("*.json"))


@lru_cache(maxsize=4)
def _read_state(path: Path, changed_ns: int, n_bytes: int) -> Timeline:  # noqa: ARG001 - they tell one file from the next
    """A state as it was written: reading one of 20,000 pictures takes as long as all the rest of the page."""
    return decode_timeline(path.read_bytes())


def _number(form: Form, name: str) -> int:
    try:
        return int(form.get(name, ""))
    except ValueError as error:
        raise InputError(
            f"{name} is {form.get(name, '')[:20]!r}, not a number", where="pairing", do="Give one."
        ) from error


def _clock(timeline: Timeline, form: Form) -> Timeline:
    """A photographed clock: what it shows, against what its camera said."""
    image = form.get("image", "")
    shot = timeline.by_image.get(image)
    if shot is None:
        raise InputError("There is no such picture", where=image[:80], do="Choose the picture of the clock.")
    seconds = offset_from_clock(form.get("shown", "").strip(), shot)
    why = f"{image} is a clock that shows {form['shown'].strip()}"
    aside = set_aside(timeline, image, f"clock that shows {form['shown'].strip()}")
    return set_clock_offset(aside, shot.camera, seconds, why=why, who=form[_WHO])


def _offset(timeline: Timeline, form: Form) -> Timeline:
    """A whole camera's clock: how far it is behind the sheet, or ahead of it."""
    if not form.get("why", "").strip():
        raise InputError("A clock's offset is stated with a reason", where="pairing", do="Say how it is known.")
    seconds = parse_offset(form.get("by", ""))
    seconds = -seconds if form.get("side") == "ahead" else seconds
    return set_clock_offset(timeline, form.get("camera", ""), seconds, why=form["why"], who=form[_WHO])


EDITS: Mapping[str, Callable[[Timeline, Form], Timeline]] = {
    "earlier": lambda timeline, form: move_break(timeline, _number(form, "series"), -1),
    "later": lambda timeline, form: move_break(timeline, _number(form, "series"), 1),
    "join": lambda timeline, form: join_series(timeline, _number(form, "series")),
    "split": lambda timeline, form: split_series(timeline, _number(form, "series"), _number(form, "picture")),
    "down": lambda timeline, form: shift_series(timeline, _number(form, "series"), 1),
    "up": lambda timeline, form: shift_series(timeline, _number(form, "series"), -1),
    "assign": lambda timeline, form: assign_row(timeline, _number(form, "series"), _number(form, "row") or None),
    "aside": lambda timeline, form: set_aside(
        timeline, form.get("image", ""), form.get("why", ""), purpose=form.get("purpose", "")
    ),
    "back": lambda timeline, form: take_back(timeline, form.get("image", "")),
    "slate": lambda timeline, form: set_slate(timeline, form.get("image", ""), form.get("number", "")),
    "clock": _clock,
    "offset": _offset,
    "answer": lambda timeline, form: answer_doubt(
        timeline, form.get("doubt", ""), form.get("why", ""), who=form.get(_WHO, "")
    ),
}
"""Every edit that the page offers, by the name of its button."""
