"""The technician's evening: pictures meet the lines of the sheet.

Comes in: a batch folder whose sheet names no pictures, or not all. Goes out: a :class:`Timeline` to look at and
correct (``pairing_edits``), and then a file beside the sheet (``pairing_file``) which every later check reads. A
proposal changes nothing by itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import read_batch
from passage_cv.intake.lines import Line
from passage_cv.intake.names import Names
from passage_cv.intake.pairing_file import fish_of
from passage_cv.intake.pairing_proposal import propose_match
from passage_cv.intake.shots import look_at_shots
from passage_cv.intake.timeline import PairLine, Shot, Timeline
from passage_cv.intake.times import parse_instant
from passage_cv.progress import Progress, silent


def propose_pairing(
    folder: Path,
    *,
    names: Names | None = None,
    layouts: Path | None = None,
    facts: Mapping[str, str] | None = None,
    clocks: Mapping[str, float] | None = None,
    thumbnails: Path | None = None,
    progress: Progress = silent,
) -> Timeline:
    """Propose which of a batch folder's pictures belong to which line.

    Pictures that a line names already, and lines that name one, stay as they are. A pairing that lies beside the
    sheet is not read: this begins anew.

    Parameters
    ----------
    folder
        The batch folder.
    names, layouts, facts
        As for :func:`passage_cv.intake.check.check_batch`.
    clocks
        For each camera, seconds to add to its clock (:func:`offset_from_clock`).
    thumbnails
        Folder that gets a small JPEG per picture; none are made without it.

    Returns
    -------
    Timeline
        With the best of four ways: folders of single fish, slates, times, or order alone.

    Raises
    ------
    InputError
        If there is no batch, no line that waits for pictures, or no picture that waits for a line.
    """
    batch = read_batch(folder, names=names, layouts=layouts, facts=facts, paired=False)
    waiting = waiting_lines(batch)
    if not waiting or not batch.stray:
        what = "line waits for pictures" if not waiting else "picture waits for a line"
        raise InputError(f"No {what}", where=str(folder), do="Check the batch as it is.")
    shots = look_at_shots(folder, batch.stray, thumbnails=thumbnails, progress=progress)
    return propose_match(waiting, shots, dict(clocks or {}))


def waiting_lines(batch: CheckedBatch) -> tuple[PairLine, ...]:
    """Lines of single fish that name no picture; lines that only count fish wait for none."""
    lines = [line for line in batch.rows if not line.images and line.shows_fish and not line.is_counted_only]
    fish_of_event = Counter((line.event, line.text["eventDate"]) for line in lines)
    return tuple(
        PairLine(
            row=line.row,
            fish=fish_of(line),
            event=line.event,
            individual=line.text["organismID"] or line.text["individual"],
            name=line.species.common_name or line.species.scientific_name if line.species else line.text["code"],
            time=line.text["taken_at"] or line.text["eventDate"],
            is_own_time=_has_own_time(line, fish_of_event[line.event, line.text["eventDate"]]),
        )
        for line in lines
    )


def _has_own_time(line: Line, n_fish: int) -> bool:
    """Whether a line says when this one fish was in hand, itself or as the only fish of an event at one moment."""
    event = line.text["eventDate"]
    return bool(line.text["taken_at"]) or (n_fish == 1 and "T" in event and "/" not in event)


def offset_from_clock(shown: str, shot: Shot) -> float:
    """Seconds to add to a camera's clock, from a photograph of a clock.

    Parameters
    ----------
    shown
        The time that the photographed clock shows, read by a person: ISO 8601, on the site's wall clock.
    shot
        That photograph.

    Raises
    ------
    InputError
        If the time cannot be read, or the picture carries none.

    Examples
    --------
    >>> offset_from_clock("2031-05-04T21:15:00", Shot("clock.jpg", "2031-05-04T20:14:30"))
    3630.0
    """
    clock, camera = parse_instant(shown), parse_instant(shot.taken_at)
    if clock is None or camera is None:
        what = f"{shown!r} is no time" if clock is None else "The photograph of the clock carries no time"
        raise InputError(what, where=shot.image, do="Write the time as 2031-05-04T21:15:00.")
    if (clock.tzinfo is None) != (camera.tzinfo is None):
        clock, camera = clock.replace(tzinfo=None), camera.replace(tzinfo=None)
    return (clock - camera).total_seconds()
