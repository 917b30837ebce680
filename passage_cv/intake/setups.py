"""Imaging set-ups: device, cameras, lenses, firmware, exposure, white balance, lamp, geometry (``setups.toml``).

::

    format = 1
    [[setups]]
    setup_id = "KBW-2"
    device = "flume of the false weir, upper bay"
    firmware = "3.1.0"
    lamp = "two LED bars, 5000 K, 40 W"
    geometry = "side camera 900 mm from the far wall, square to it"
    marker_mm = 40.0                # side of the black square of the scale marker on the reference target
    [[setups.cameras]]
    name = "KBW-2-side"             # as the sheet's camera column has it
    serial = "23117"
    lens = "8 mm, f/1.4"
    exposure_ms = 2.0
    white_balance = "5000 K, fixed"

A set-up is never edited: whatever of it changes makes a new ``setup_id``, because limits hold for the set-ups
they were shown on. Comes in: the file. Goes out: :class:`Setup` records and what a batch contradicts.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from passage_cv.config import Settings, read_settings
from passage_cv.errors import InputError
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.exif import CameraSettings
from passage_cv.intake.sheet import SETUPS
from passage_cv.records import Finding

Word = Annotated[str, Field(min_length=1, pattern=r"\S")]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]

SAME_EXPOSURE = 1.1
"""How far two exposures may lie apart, as a factor, and be one [ours: files round; a third of a stop is 1.26]."""


class SetupCamera(Settings):
    """One camera of a set-up."""

    name: Word
    serial: Word
    lens: str = ""
    firmware: str = ""
    exposure_ms: Positive | None = None
    white_balance: str = ""


class Setup(Settings):
    """Everything that makes an image what it is, under one name."""

    setup_id: Word
    device: Word
    firmware: Word
    lamp: Word
    geometry: Word
    cameras: Annotated[tuple[SetupCamera, ...], Field(min_length=1)]
    marker_mm: Positive | None = None
    note: str = ""

    @model_validator(mode="after")
    def _cameras_differ(self) -> Self:
        names = [camera.name for camera in self.cameras]
        if len(set(names)) != len(names):
            raise ValueError(f"set-up {self.setup_id} names a camera twice: {', '.join(names)}")
        return self


class SetupsFile(Settings):
    """The content of ``setups.toml``."""

    format: Literal[1]
    setups: Annotated[tuple[Setup, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _once_each(self) -> Self:
        names = [one.setup_id for one in self.setups]
        if len(set(names)) != len(names):
            raise ValueError(f"set-ups stand twice: {', '.join(names)}")
        return self


def read_setups(path: Path) -> tuple[Setup, ...]:
    """Read a set-ups file.

    Raises
    ------
    InputError
        Naming every key that is missing, unknown or out of range.
    """
    return read_settings(path, SetupsFile).setups


def setups_of(batch: CheckedBatch) -> dict[str, Setup]:
    """The set-ups beside a batch's sheet by their id; none without a file, or with one told by a check."""
    path = batch.folder / SETUPS
    try:
        return {one.setup_id: one for one in read_setups(path)} if path.is_file() else {}
    except InputError:
        return {}


def differences(before: Setup, now: Setup) -> list[str]:
    """What differs between two descriptions of a set-up, in words; notes do not count.

    Examples
    --------
    >>> camera = SetupCamera(name="side", serial="1", exposure_ms=2.0)
    >>> one = Setup(setup_id="A", device="d", firmware="3.0", lamp="l", geometry="g", cameras=(camera,))
    >>> differences(one, one.model_copy(update={"firmware": "3.1"}))
    ['firmware 3.0 became 3.1']
    """
    return [
        f"{key} {old or 'not said'} became {new or 'not said'}"
        for key, old, new in _pairs(_flat(before), _flat(now))
        if old != new
    ]


def next_setup_id(setup_id: str) -> str:
    """A name for the set-up that follows: the last number raised by one.

    Examples
    --------
    >>> next_setup_id("KBW-2"), next_setup_id("flume")
    ('KBW-3', 'flume-2')
    """
    match = re.fullmatch(r"(.*?)(\d+)", setup_id)
    if match is None:
        return f"{setup_id}-2"
    stem, number = match.groups()
    return f"{stem}{int(number) + 1:0{len(number)}d}"


def check_setups(batch: CheckedBatch) -> list[Finding]:
    """What the batch's own description of its set-ups contradicts."""
    path = batch.folder / SETUPS
    if not path.is_file():
        return []
    try:
        setups = {one.setup_id: one for one in read_setups(path)}
    except InputError as error:
        return [Finding("set-ups file", "must resolve", f"{SETUPS}: {error.what}", proposal="Correct the file")]
    return [*_undescribed(batch, setups), *other_cameras(batch, setups), *other_settings(batch, setups)]


def _undescribed(batch: CheckedBatch, setups: dict[str, Setup]) -> Iterator[Finding]:
    rows: dict[str, int] = {}
    for line in batch.kept_lines():
        if line.images and line.text["setup_id"] not in setups:
            rows.setdefault(line.text["setup_id"], line.row)
    for setup_id, row in rows.items():
        said = f"Set-up {setup_id} (row {row}) is" if setup_id else f"Row {row} names no set-up, so it is"
        yield Finding(
            "set-up not described",
            "please look",
            f"{said} not in {SETUPS}, which has {', '.join(setups)}",
            row=row,
            proposal="Correct the setup_id, or describe it in the file",
        )


def other_cameras(batch: CheckedBatch, setups: Mapping[str, Setup]) -> Iterator[Finding]:
    """Pictures whose file names a camera serial that their set-up does not have."""
    rows = batch.first_lines()
    said: set[tuple[str, str]] = set()
    for picture in batch.images:
        line = rows[picture.name]
        setup = setups.get(line.text["setup_id"])
        if setup is None or not picture.camera or (setup.setup_id, picture.camera) in said:
            continue
        serials = [camera.serial for camera in setup.cameras]
        if not any(serial in picture.camera.split() for serial in serials):
            said.add((setup.setup_id, picture.camera))
            yield Finding(
                "another camera",
                "please look",
                f"{picture.name} was made by camera {picture.camera}, set-up {setup.setup_id} has"
                f" {', '.join(serials)}",
                row=line.row,
                image=picture.name,
                proposal=f"A changed camera makes a new set-up: describe it as {next_setup_id(setup.setup_id)}",
            )


def other_settings(batch: CheckedBatch, setups: Mapping[str, Setup]) -> Iterator[Finding]:
    """Pictures whose file names a firmware, an exposure or a white balance other than those on file."""
    rows = batch.first_lines()
    said: set[tuple[str, str, str]] = set()
    for picture in batch.images:
        line = rows[picture.name]
        setup = setups.get(line.text["setup_id"])
        camera = _camera_of(picture.camera, setup) if setup else None
        if setup is None or camera is None:
            continue
        for what, seen, on_file in _changed_settings(picture.settings, camera, setup):
            if (setup.setup_id, camera.name, what) not in said:
                said.add((setup.setup_id, camera.name, what))
                yield Finding(
                    "another camera setting",
                    "please look",
                    f"{picture.name} was made with {what} {seen}, camera {camera.name} of set-up {setup.setup_id} has"
                    f" {on_file}",
                    row=line.row,
                    image=picture.name,
                    proposal="A changed firmware or setting makes a new set-up: describe it as"
                    f" {next_setup_id(setup.setup_id)}",
                )


def _camera_of(name: str, setup: Setup) -> SetupCamera | None:
    """The camera that a picture's file names by its serial; the only one there is where the file names none."""
    found = [camera for camera in setup.cameras if camera.serial in name.split()]
    return found[0] if found else setup.cameras[0] if len(setup.cameras) == 1 and not name else None


def _changed_settings(seen: CameraSettings, camera: SetupCamera, setup: Setup) -> Iterator[tuple[str, str, str]]:
    """Name, seen value and value on file of what differs; what either side does not say is left out."""
    firmware = camera.firmware or setup.firmware
    if seen.software and firmware.casefold() not in seen.software.casefold():
        yield "firmware", seen.software, firmware
    if seen.exposure_ms and camera.exposure_ms:
        ratio = seen.exposure_ms / camera.exposure_ms
        if max(ratio, 1 / ratio) > SAME_EXPOSURE:
            yield "an exposure of", f"{seen.exposure_ms:.3g} ms", f"{camera.exposure_ms:.3g} ms"
    if seen.white_balance and camera.white_balance:
        is_auto = "auto" in camera.white_balance.casefold()
        if is_auto != (seen.white_balance == "auto"):
            yield "white balance", seen.white_balance, camera.white_balance


def _flat(setup: Setup) -> dict[str, str]:
    own = setup.model_dump(exclude={"setup_id", "cameras", "note"})
    found = {key: "" if value is None else str(value) for key, value in own.items()}
    for camera in setup.cameras:
        values = camera.model_dump(exclude={"name"})
        found |= {f"camera {camera.name} {key}": "" if value is None else str(value) for key, value in values.items()}
    return found


def _pairs(before: dict[str, str], now: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    for key in dict.fromkeys([*before, *now]):
        yield key, before.get(key, ""), now.get(key, "")
