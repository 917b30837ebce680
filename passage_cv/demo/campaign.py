"""The imaging campaign: 24 sampling trips over two years at three sites, one batch folder each (handbook 9).

Comes in: a seed and a size. Goes out: folders that a crew could have sent, with a sheet, ``trip.toml`` and
neutral image names. The sheets are clean unless faults are asked for.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from itertools import cycle
from pathlib import Path

import numpy as np

from passage_cv.demo.faults import Planted, plant_faults, write_planted
from passage_cv.demo.picture import Exposure, take_pictures
from passage_cv.demo.registers import write_registers
from passage_cv.demo.season import WEEKS
from passage_cv.demo.shot import Shot, Subject, Views
from passage_cv.demo.sites import CREW, SETUPS, SITES, Light, Site
from passage_cv.demo.species import CODES, EVENLY_SPREAD, SPECIES, Fish, draw_fish
from passage_cv.demo.tables import write_table
from passage_cv.files import write_text
from passage_cv.progress import Progress, silent

YEARS = (2029, 2030)
CREW_SLIPS = ("columns swapped on the whole sheet", "species code slip")
"""What went wrong on sheets of the season (handbook 9, "Events to include")."""
TRIPS_PER_SITE_AND_YEAR = 4
TOO_TURBID_NTU = 70.0
"""Above it a crew waits for the water to fall before it images fish: only outlines are left above about 50
(handbook 6). The gate has no such choice, and meets the whole flood pulse. The number is ours."""
ATTACHED = 0.02
"""Share of fish that carry leeches or lice; ours."""
EASTERN_SUMMER = timezone(timedelta(hours=-4))

SHEET_COLUMNS = (
    "image", "individual", "code", "scientificName", "eventID", "eventDate", "setup_id", "sex", "lifeStage",
    "length_mm", "length_type", "weight_g", "waterTemperature_C", "turbidity_NTU", "light", "recordedBy",
    "identifiedBy",
)  # fmt: skip
"""Headings of format 1; what is common to the batch is in ``trip.toml``."""


@dataclass(frozen=True, slots=True)
class Event:
    """One run of the flume: when, in what light, and in what water."""

    event_id: str
    starts: datetime
    light: Light
    temperature_c: float
    turbidity_ntu: float


@dataclass(frozen=True, slots=True)
class Trip:
    """One outing of a crew: a batch."""

    name: str
    site: Site
    setup_id: str
    events: tuple[Event, ...]
    recorder: str
    identifier: str
    day_seed: int


@dataclass(frozen=True, slots=True)
class Imaged:
    """One animal of a batch: its line on the sheet and its pictures' numbers."""

    fish: Fish
    event: Event
    number: int
    shots: tuple[Shot, ...]
    images: tuple[str, ...]


def write_campaign(
    folder: Path,
    *,
    seed: int,
    size: float = 1.0,
    fewest: int = 1,
    faults: Sequence[str] = (),
    progress: Progress = silent,
) -> list[Path]:
    """Draw the campaign and write one batch folder per sampling trip.

    Parameters
    ----------
    folder
        Gets one folder per trip, named by date and recorder, and beside them the set-ups and permits that stand on
        file before the first trip.
    seed
        The same seed gives the same bytes.
    size
        Scales the number of fish. 1.0 is about 2,250 fish and 4,050 images, 0.05 is for tests.
    fewest
        Fish of each class there are however small the campaign; up to one a trip they come on different trips.
    faults
        Kinds of :data:`passage_cv.demo.faults.KINDS` to plant, each in the next trip's sheet; what was done is
        written to ``folder/planted.json``. By default all sheets are clean.

    Returns
    -------
    list of Path
        The batch folders by date; a trip that met no fish (in small campaigns) leaves none.
    """
    rng = np.random.default_rng([seed, 2029])
    trips = draw_trips(rng)
    fish = draw_catches(len(trips), size, rng, fewest=fewest)
    batches = [
        (folder / trip.name, trip, image_fish(trip, catch, rng))
        for trip, catch in zip(trips, fish, strict=True)
        if catch
    ]
    exposures = [one for path, _, imaged in batches for one in campaign_exposures(path, imaged)]
    take_pictures(exposures, progress=progress)
    for path, trip, imaged in batches:
        write_text(path / "trip.toml", _trip_toml(trip))
        write_table(path / "sheet.csv", SHEET_COLUMNS, sheet_rows(trip, imaged))
    write_registers(folder)
    paths = [path for path, _, _ in batches]
    if faults:
        write_planted(folder / "planted.json", _spoil(paths, faults, seed))
    return paths


def write_faulty_batches(batches: Sequence[Path], folder: Path, *, seed: int) -> list[Path]:
    """Write spoilt copies of the first batches, one for each of :data:`CREW_SLIPS`, for somebody to check.

    ``planted.json`` beside them lists every cell that was changed; the batches themselves stay as they are.
    """
    copies = [folder / batch.name for batch, _ in zip(batches, CREW_SLIPS, strict=False)]
    for batch, copy in zip(batches, copies, strict=False):
        shutil.copytree(batch, copy)
    write_planted(folder / "planted.json", _spoil(copies, CREW_SLIPS[: len(copies)], seed))
    return copies


def _spoil(paths: Sequence[Path], kinds: Sequence[str], seed: int) -> list[tuple[str, Planted]]:
    """Plant one kind of fault a batch, beginning again where there are more kinds than batches."""
    return [
        (path.name, cell)
        for path, kind in zip(cycle(paths), kinds, strict=False)
        for cell in plant_faults(path, [kind], seed=seed)
    ]


def draw_trips(rng: np.random.Generator) -> list[Trip]:
    """Draw the 24 trips: each site four times a spring, spread over the weeks of the run."""
    trips = []
    for year in YEARS:
        for place, site in enumerate(SITES):
            for visit in range(TRIPS_PER_SITE_AND_YEAR):
                week = 2 * visit + int(rng.integers(2))
                day = 1 + 2 * place + int(rng.integers(2))
                trips.append(_draw_trip(year, site, week, day, rng))
    trips.sort(key=lambda trip: trip.name)
    return trips


def _draw_trip(year: int, site: Site, week: int, day: int, rng: np.random.Generator) -> Trip:
    month, first = (int(part) for part in WEEKS[week].starts.split("-"))
    date = datetime(year, month, first, tzinfo=EASTERN_SUMMER) + timedelta(days=day)
    recorder, identifier = (CREW[i] for i in rng.permutation(3)[:2])
    setup_id = site.setups[year]
    night = SETUPS[setup_id].night
    temperature = WEEKS[week].temperature_c + rng.normal(0, 0.8)
    turbidity = _imaging_turbidity(WEEKS[week].turbidity_ntu, 0.25, rng)
    short = site.location_id[:3]
    lit: tuple[tuple[int, Light], ...] = ((8, "day"), (13, "day"), (21, night))
    events = tuple(
        Event(
            event_id=f"{short}-{date:%Y%m%d}-{number}",
            starts=date + timedelta(minutes=int(60 * hour + rng.integers(50))),
            light=light,
            temperature_c=round(temperature + rng.normal(0, 0.3), 1),
            turbidity_ntu=round(_imaging_turbidity(turbidity, 0.1, rng), 1),
        )
        for number, (hour, light) in enumerate(lit, start=1)
    )
    return Trip(
        name=f"{date:%Y-%m-%d}-{recorder}",
        site=site,
        setup_id=setup_id,
        events=events,
        recorder=recorder,
        identifier=identifier,
        day_seed=int(rng.integers(2**62)),
    )


def _imaging_turbidity(usual_ntu: float, spread: float, rng: np.random.Generator) -> float:
    """Turbidity at a time at which a crew images fish at all; ``spread`` is that of its logarithm."""
    while (turbidity := usual_ntu * float(np.exp(rng.normal(0, spread)))) > TOO_TURBID_NTU:
        pass
    return turbidity


def draw_catches(n_trips: int, size: float, rng: np.random.Generator, *, fewest: int = 1) -> list[list[Fish]]:
    """Draw the fish of each trip, in shuffled order.

    The four species that carry a limit are dealt out evenly, and so are those of which there are few; the others go
    to trips at random.
    """
    catches: list[list[Fish]] = [[] for _ in range(n_trips)]
    for code in CODES:
        count = max(fewest, round(SPECIES[code].imaged * size))
        dealt = np.concatenate([rng.permutation(n_trips) for _ in range(-(-count // n_trips))])[:count]
        places = dealt if code in EVENLY_SPREAD or count <= n_trips else rng.integers(n_trips, size=count)
        for place in places:
            catches[place].append(draw_fish(code, rng))
    return [[catch[i] for i in rng.permutation(len(catch))] for catch in catches]


def image_fish(trip: Trip, catch: Sequence[Fish], rng: np.random.Generator) -> list[Imaged]:
    """Take the fish of a trip before the camera, event by event, numbering fish and images as they come."""
    events = np.sort(rng.choice(len(trip.events), size=len(catch), p=[0.4, 0.35, 0.25]))
    imaged, taken = [], 0
    numbers = dict.fromkeys(range(len(trip.events)), 0)
    for fish, place in zip(catch, events, strict=True):
        numbers[place] += 1
        shots = _draw_shots(trip, trip.events[place], fish, rng)
        names = tuple(f"images/{taken + i:04d}.jpg" for i in range(1, len(shots) + 1))
        taken += len(shots)
        imaged.append(Imaged(fish, trip.events[place], numbers[place], shots, names))
    return imaged


def _draw_shots(trip: Trip, event: Event, fish: Fish, rng: np.random.Generator) -> tuple[Shot, ...]:
    attached = bool(rng.random() < ATTACHED)
    return tuple(
        Shot(
            setup_id=trip.setup_id,
            light=event.light,
            turbidity_ntu=event.turbidity_ntu,
            day_seed=trip.day_seed,
            seed=int(rng.integers(2**62)),
            subjects=(Subject(fish, view),),
            attached=attached,
        )
        for view in Views().draw(rng)
    )


def camera_of(shot: Shot) -> str:
    """Name of the camera that takes a shot: one looks from the side, one from above."""
    return f"{shot.setup_id}-{'top' if shot.above else 'side'}"


def campaign_exposures(folder: Path, imaged: Iterable[Imaged]) -> list[Exposure]:
    """The pictures of a batch: a fish every 40 s, its views two seconds apart."""
    return [
        Exposure(
            path=folder / name,
            shot=shot,
            camera=camera_of(shot),
            taken_at=animal.event.starts + timedelta(seconds=40 * animal.number + 2 * view),
        )
        for animal in imaged
        for view, (name, shot) in enumerate(zip(animal.images, animal.shots, strict=True))
    ]


def sheet_rows(trip: Trip, imaged: Iterable[Imaged]) -> list[dict[str, str]]:
    """One line per fish, as the crew writes it."""
    return [
        {
            "image": ";".join(animal.images),
            "individual": str(animal.number),
            "code": animal.fish.code,
            "scientificName": animal.fish.species.scientific_name,
            "eventID": animal.event.event_id,
            "eventDate": animal.event.starts.isoformat(),
            "setup_id": trip.setup_id,
            "sex": animal.fish.sex,
            "lifeStage": animal.fish.life_stage,
            "length_mm": str(animal.fish.recorded_mm),
            "length_type": animal.fish.species.length_type,
            "weight_g": f"{animal.fish.weight_g:g}",
            "waterTemperature_C": f"{animal.event.temperature_c:.1f}",
            "turbidity_NTU": f"{animal.event.turbidity_ntu:.1f}",
            "light": animal.event.light,
            "recordedBy": trip.recorder,
            "identifiedBy": trip.identifier,
        }
        for animal in imaged
    ]


def _trip_toml(trip: Trip) -> str:
    facts = {
        "trip": trip.name.rpartition("-")[0] + "-" + trip.site.location_id[:3],
        "locationID": trip.site.location_id,
        "purpose": "gate view",
        "permit": trip.site.permit,
        "animalCareProtocol": trip.site.protocol,
    }
    return "".join(f'{key} = "{value}"\n' for key, value in facts.items())
