"""Picture names in a sheet that no file has: lists written with commas, slips, endings left out.

Comes in: a batch. Goes out: what each such name may have meant. Nothing is read so without a person's word.
"""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.images import NOT_THERE, PICTURE_SUFFIXES
from passage_cv.intake.lines import Line
from passage_cv.records import Change, Finding

_BETWEEN = re.compile(r"[,|+&\n]|\s(?=\S)")


def check_missing_pictures(batch: CheckedBatch) -> list[Finding]:
    """Names of pictures that did not come with the batch, and what they may have meant."""
    missing = {picture.name for picture in batch.images if picture.problem == NOT_THERE}
    if not missing:
        return []
    meant = names_meant(batch)
    return [
        _missing(line, name, meant.get(name, ()), set(line.images) & missing)
        for line in batch.rows
        for name in line.images
        if name in missing
    ]


def names_meant(batch: CheckedBatch) -> Mapping[str, tuple[str, ...]]:
    """For each name that no file has, the waiting pictures it may mean; names that mean none are left out.

    Examples
    --------
    ``IMG_1.jpg, IMG_2.jpg`` means two pictures; ``img_1.JPG`` and ``IMG_1`` mean ``images/IMG_1.jpg`` where no other
    waiting picture is called so.
    """
    waiting = _by_stem(batch.stray)
    found = {}
    for picture in batch.images:
        if picture.problem == NOT_THERE:
            named = [_only(waiting, part) for part in _parts(picture.name)]
            if all(named):
                found[picture.name] = tuple(filter(None, named))
    return found


def _missing(line: Line, name: str, meant: tuple[str, ...], missing: set[str]) -> Finding:
    """One name; a change is proposed where it mends the whole cell."""
    cell = "; ".join("; ".join(meant) if one == name else one for one in line.images)
    if len(meant) > 1:
        kind, message = "pictures in one name", f"Row {line.row}: {name!r} is read as the name of one picture"
        proposal = f"Part the {len(meant)} pictures with semicolons: {'; '.join(meant)}"
    elif meant:
        kind, message = "picture not there", f"Row {line.row} names {name}, which did not come with the batch"
        proposal = f"Perhaps it is {meant[0]}, which no line names"
    else:
        kind, message = "picture not there", f"Row {line.row} names {name}, which did not come with the batch"
        proposal = "Send it, correct the name in the sheet, or exclude it by name with the reason"
    change = Change("image", cell) if meant and missing == {name} else None
    return Finding(kind, "must resolve", message, row=line.row, image=name, proposal=proposal, change=change)


def _parts(name: str) -> Iterator[str]:
    """The names in a name: several where each of them is one of a picture."""
    parts = [one for one in (part.strip() for part in _BETWEEN.split(name)) if one]
    is_list = len(parts) > 1 and all(os.path.splitext(one)[1].lower() in PICTURE_SUFFIXES for one in parts)  # noqa: PTH122
    yield from parts if is_list else [name]


def _by_stem(names: Iterable[str]) -> Mapping[str, list[str]]:
    found: dict[str, list[str]] = defaultdict(list)
    for name in names:
        found[_stem(name)].append(name)
    return found


def _only(waiting: Mapping[str, list[str]], name: str) -> str | None:
    """The one waiting picture of that name, whatever its folder, ending and case."""
    found = waiting.get(_stem(name), [])
    return found[0] if len(found) == 1 else None


def _stem(name: str) -> str:
    last = name.replace("\\", "/").rpartition("/")[2]
    stem, ending = os.path.splitext(last)  # noqa: PTH122 - a str, thousands of times
    return (stem if ending.lower() in PICTURE_SUFFIXES else last).casefold()
