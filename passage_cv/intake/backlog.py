"""Years of folders named by species become batch folders: what is known is written down, what is not is asked.

Comes in: a tree of pictures whose folders name species and perhaps days. Goes out: one batch folder per day or top
folder, with a sheet that says where every picture came from. Individuals are not known of such pictures: those that
follow each other closely in one folder are one animal, because two fish taken for one cost a picture, and one fish
taken for two would put it on both sides of a test.
"""

from __future__ import annotations

import csv
import io
import os
import re
import shutil
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path, PurePosixPath

from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.intake.images import PICTURE_SUFFIXES
from passage_cv.intake.names import Names, Species, shipped_names
from passage_cv.intake.pairing_match import natural_key
from passage_cv.intake.shots import look_at_shots
from passage_cv.intake.slips import propose_names
from passage_cv.intake.timeline import Shot
from passage_cv.intake.times import parse_instant
from passage_cv.intake.toml_text import toml_string
from passage_cv.progress import Progress, silent

TOGETHER_S = 120.0
"""Pause in seconds up to which pictures of one folder are one animal [ours: a fish is out of the water for less]."""
COLUMNS = ("image", "individual", "scientificName", "eventID", "eventDate", "source")

_DAY = re.compile(r"((?:19|20)\d{2})[-_. ]?(0[1-9]|1[0-2])[-_. ]?(0[1-9]|[12]\d|3[01])")
_YEAR = re.compile(r"(?:19|20)\d{2}")


@dataclass(frozen=True, slots=True)
class OldPicture:
    """One picture of the tree: the folder that names its species, its event, and its day ("" where not known)."""

    shot: Shot
    folder: str
    species: Species | None
    event: str
    day: str


@dataclass(frozen=True, slots=True)
class Backlog:
    """What a tree holds: pictures by event, and folders that name no species with what was perhaps meant."""

    root: Path
    events: Mapping[str, tuple[OldPicture, ...]]
    unnamed: Mapping[str, tuple[str, ...]]

    @property
    def n_pictures(self) -> int:
        """Pictures in all."""
        return sum(len(pictures) for pictures in self.events.values())


def survey_backlog(root: Path, *, names: Names | None = None, progress: Progress = silent) -> Backlog:
    """Look through a tree of folders named by species.

    The nearest folder above a picture that names a species counts; a folder above with a day or a year, else the
    day in the picture itself, makes the event.

    Raises
    ------
    InputError
        If the folder is missing or holds no picture.
    """
    known = names or shipped_names()
    if not root.is_dir():
        raise InputError("Folder is missing", where=str(root), do="Check the path.")
    found = [path for path in root.rglob("*") if path.suffix.lower() in PICTURE_SUFFIXES and path.is_file()]
    images = sorted((path.relative_to(root).as_posix() for path in found), key=natural_key)
    if not images:
        raise InputError("No picture lies there", where=str(root), do="Name the folder above the species.")
    events: dict[str, list[OldPicture]] = defaultdict(list)
    for shot in look_at_shots(root, images, progress=progress):
        picture = _place(shot, known)
        events[picture.event].append(picture)
    folders = {one.folder for pictures in events.values() for one in pictures if one.species is None}
    unnamed = {folder: _meant(folder, known) for folder in sorted(folders)}
    return Backlog(root, {event: tuple(pictures) for event, pictures in sorted(events.items())}, unnamed)


def write_backlog(backlog: Backlog, out: Path, facts: Mapping[str, str]) -> list[Path]:
    """Write a batch folder per event: pictures linked where the disk allows, a sheet, and ``trip.toml``.

    Folders that name no species keep their name in the sheet, so that ``check`` asks about it.

    Raises
    ------
    InputError
        If one of the batch folders is there already.
    """
    folders = {event: out / _folder_name(event) for event in backlog.events}
    there = [folder for folder in folders.values() if folder.exists()]
    if there:
        raise InputError("Batch folder is there already", where=str(there[0]), do="Give another place.")
    for event, pictures in backlog.events.items():
        _write_batch(backlog.root, folders[event], event, pictures, facts)
    return list(folders.values())


def number_animals(pictures: Sequence[OldPicture]) -> list[int]:
    """A number per picture: those of one folder that follow closely share it; one without a time has its own."""
    numbers: list[int] = []
    for i, one in enumerate(pictures):
        before = pictures[i - 1] if i else None
        is_same = before is not None and before.folder == one.folder and _follow_closely(before.shot, one.shot)
        numbers.append(numbers[-1] if is_same else len(set(numbers)) + 1)
    return numbers


def _place(shot: Shot, names: Names) -> OldPicture:
    parents = PurePosixPath(shot.image).parent.parts
    named = next((part for part in reversed(parents) if names.find(_words(part))), "")
    own = named or (parents[-1] if parents else "")
    day = next((_iso_day(part) for part in reversed(parents) if _iso_day(part)), "") or shot.taken_at[:10]
    year = next((match[0] for part in reversed(parents) if (match := _YEAR.search(part))), "")
    return OldPicture(shot, own, names.find(_words(own)) if own else None, day or year or "undated", day or year)


def _words(folder: str) -> str:
    """A folder's name as words: ``Channa_argus`` and ``NSH (2019)`` name a species too."""
    plain = re.sub(r"\(.*?\)|\b(?:19|20)\d{2}\b", " ", folder.replace("_", " "))
    return " ".join(plain.split())


def _iso_day(folder: str) -> str:
    match = _DAY.search(folder)
    if not match:
        return ""
    try:
        return date(*(int(part) for part in match.groups())).isoformat()
    except ValueError:
        return ""


def _meant(folder: str, names: Names) -> tuple[str, ...]:
    return tuple(one.scientific_name for one in propose_names(_words(folder), names, {}))


def _follow_closely(one: Shot, other: Shot) -> bool:
    first, second = parse_instant(one.taken_at), parse_instant(other.taken_at)
    if first is None or second is None or (first.tzinfo is None) != (second.tzinfo is None):
        return False
    return abs((second - first).total_seconds()) <= TOGETHER_S


def _folder_name(event: str) -> str:
    return f"backlog-{re.sub(r'[^A-Za-z0-9-]+', '-', event)}"


def _write_batch(
    root: Path, folder: Path, event: str, pictures: Sequence[OldPicture], facts: Mapping[str, str]
) -> None:
    ordered = sorted(pictures, key=lambda one: (one.folder, one.shot.taken_at, natural_key(one.shot.image)))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one, number in zip(ordered, number_animals(ordered), strict=True):
        name = one.species.scientific_name if one.species else one.folder
        writer.writerow((one.shot.image, number, name, f"backlog-{event}", one.day, f"folder {one.folder}"))
        _link(root / one.shot.image, folder / one.shot.image)
    write_text(folder / "sheet.csv", out.getvalue())
    write_text(folder / "trip.toml", "".join(f"{key} = {toml_string(value)}\n" for key, value in facts.items()))


def _link(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
