"""A slice of the spring run as the gate meets it: presentations, one after the other, and the truth apart.

How the slice is drawn: the season's fish (handbook 9) are put in order of week and species and every n-th is
taken, from a random start; so each week and each species appears as often as it should, invaders included.
An invading or protected species that this leaves out gets one fish all the same (note "added"). Each comes at
some time of its week, and the season's events are put in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType

import numpy as np

from passage_cv.demo.campaign import ATTACHED, EASTERN_SUMMER, camera_of
from passage_cv.demo.picture import Exposure, take_pictures
from passage_cv.demo.season import WEEKS, YEAR
from passage_cv.demo.shot import Shot, Subject, Views
from passage_cv.demo.sites import SETUPS, SITES, Light
from passage_cv.demo.species import INVADERS, PROTECTED, Fish, draw_fish
from passage_cv.demo.tables import write_table
from passage_cv.progress import Progress, silent

COLUMNS = (
    "presentation_id", "time", "site", "event", "setup_id", "camera", "images", "light", "turbidity_NTU",
    "waterTemperature_C",
)  # fmt: skip
TRUTH_COLUMNS = ("presentation_id", "individual", "class", "note")
TAG = "999000000000417"
"""The tagged shad that comes three times; prefix 999 is for test tags (handbook 1)."""
TAGGED = MappingProxyType({TAG: ("AMS", 3), "999000000000528": ("EEL", 2), "999000000000639": ("BCF", 2)})
"""Tagged fish that come again after they were turned back or dropped back: species, and how often they come."""


@dataclass(frozen=True, slots=True)
class Presentation:
    """One animal (or none, or two) before the gate once."""

    week: int
    time: datetime
    turbidity_ntu: float
    temperature_c: float
    fish: tuple[Fish, ...]
    individual: str = ""
    note: str = ""
    fouled: float = 0.0
    lamp_failed: bool = False
    attached: bool = False

    @property
    def light(self) -> Light:
        """Day from 6 to 20 o'clock, else what the weir's set-up uses at night."""
        return "day" if 6 <= self.time.hour < 20 else SETUPS[SITES[0].setups[YEAR]].night

    @property
    def label(self) -> str:
        """The class code, several joined by ``+``; empty for an empty view."""
        return "+".join(fish.code for fish in self.fish)


def write_traffic(folder: Path, *, seed: int, presentations: int = 300, progress: Progress = silent) -> Path:
    """Write ``presentations.csv``, ``truth.csv`` and the images of a slice of the season.

    Parameters
    ----------
    folder
        Gets the two files and ``images/``. The gate never reads ``truth.csv``.
    seed
        The same seed gives the same bytes.
    presentations
        How many there are in all, events included.

    Returns
    -------
    Path
        ``folder``.
    """
    rng = np.random.default_rng([seed, YEAR])
    shown = draw_presentations(presentations, rng)
    site = SITES[0]
    setup_id = site.setups[YEAR]
    day_seeds = {place: int(rng.integers(2**62)) for place in range(len(WEEKS))}
    rows, truth = [], []
    exposures: list[Exposure] = []
    for number, presentation in enumerate(shown, start=1):
        name = f"P{number:05d}"
        shots = _draw_shots(presentation, setup_id, day_seeds[presentation.week], rng)
        images = [f"images/{len(exposures) + i:06d}.jpg" for i in range(1, len(shots) + 1)]
        exposures += [
            Exposure(folder / image, shot, camera_of(shot), presentation.time + timedelta(seconds=view))
            for view, (image, shot) in enumerate(zip(images, shots, strict=True))
        ]
        rows.append(_row(name, presentation, site.location_id, setup_id, images, shots))
        truth.append(
            {
                "presentation_id": name,
                "individual": presentation.individual
                or "+".join(f"{name}-{i}" for i in range(1, len(presentation.fish) + 1)),
                "class": presentation.label,
                "note": presentation.note,
            }
        )
    take_pictures(exposures, progress=progress)
    write_table(folder / "presentations.csv", COLUMNS, rows)
    write_table(folder / "truth.csv", TRUTH_COLUMNS, truth)
    return folder


def draw_presentations(count: int, rng: np.random.Generator) -> list[Presentation]:
    """Draw the slice in order of time: fish by week and species, then the season's events."""
    fish = _draw_fish(count, rng)
    shown = [_present(week, code, note, rng) for week, code, note in fish]
    shown = _with_events(sorted(shown, key=lambda one: one.time), rng)
    return sorted(shown, key=lambda one: one.time)


def _draw_fish(count: int, rng: np.random.Generator) -> list[tuple[int, str, str]]:
    """Week, code and note of each fish: a systematic sample of the season."""
    season = [(week, code) for week, row in enumerate(WEEKS) for code, n in row.counts.items() for _ in range(n)]
    step = len(season) / count
    picked = [season[int((i + rng.random() * 0.999) * step)] for i in range(count)]
    chosen = [(week, code, "") for week, code in picked]
    for code in (*INVADERS, PROTECTED):
        if not any(code == taken for _, taken, _ in chosen):
            weeks = [week for week, row in enumerate(WEEKS) if row.counts[code]]
            chosen[int(rng.integers(count))] = (int(rng.choice(weeks)), code, "added")
    return chosen


NIGHT_SHARE = MappingProxyType({"EEL": 0.8, "ASE": 0.8, "BCF": 0.6, "CCF": 0.6, "WCF": 0.6})
"""Share that comes at night, others 0.25: eels and catfish move mostly then (handbook 6). Numbers are ours."""


def _present(week: int, code: str, note: str, rng: np.random.Generator) -> Presentation:
    water = WEEKS[week]
    at_night = bool(rng.random() < NIGHT_SHARE.get(code, 0.25))
    return Presentation(
        week=week,
        time=_draw_time(week, rng, at_night=at_night),
        turbidity_ntu=round(water.turbidity_ntu * float(np.exp(rng.normal(0, 0.1))), 1),
        temperature_c=round(water.temperature_c + float(rng.normal(0, 0.5)), 1),
        fish=(draw_fish(code, rng),),
        note=note,
        attached=bool(rng.random() < ATTACHED),
    )


def _draw_time(week: int, rng: np.random.Generator, *, at_night: bool) -> datetime:
    """Some second of the week between 6 and 20 o'clock, or outside it."""
    hour = 20 + 10 * rng.random() if at_night else 6 + 14 * rng.random()
    return _week_start(week) + timedelta(days=int(rng.integers(6)), seconds=int(3600 * hour))


def _week_start(week: int) -> datetime:
    month, day = (int(part) for part in WEEKS[week].starts.split("-"))
    return datetime(YEAR, month, day, tzinfo=EASTERN_SUMMER)


def _with_events(shown: list[Presentation], rng: np.random.Generator) -> list[Presentation]:
    """Put the season's events in by changing presentations that are there."""
    shown = list(shown)
    _eel_night(shown, rng)
    _double_feed(shown, rng)
    _empty_view(shown, rng)
    _tagged_fish(shown, rng)
    _fouled_day(shown)
    _lamp_failure(shown)
    return shown


def _eel_night(shown: list[Presentation], rng: np.random.Generator) -> None:
    """In the last week there is a night on which nothing but eels comes."""
    dusk = _week_start(7) + timedelta(days=3, hours=20)
    for place, one in enumerate(shown):
        if dusk <= one.time < dusk + timedelta(hours=10) and one.label != "EEL":
            shown[place] = replace(one, time=one.time + timedelta(hours=12))
    for place in [place for place, one in enumerate(shown) if one.week == 7 and one.label == "EEL"][:4]:
        time = dusk + timedelta(seconds=int(rng.integers(36000)))
        shown[place] = replace(shown[place], time=time, note="eel night")


def _plain(shown: list[Presentation]) -> list[int]:
    """Places of presentations that no event has touched yet and that hold no invader."""
    return [place for place, one in enumerate(shown) if not one.note and one.label not in INVADERS]


def _double_feed(shown: list[Presentation], rng: np.random.Generator) -> None:
    place = int(rng.choice(_plain(shown)))
    one = shown[place]
    second = draw_fish(str(rng.choice(["BCF", "AMS"])), rng)
    shown[place] = replace(one, fish=(*one.fish, second), note="double feed")


def _empty_view(shown: list[Presentation], rng: np.random.Generator) -> None:
    place = int(rng.choice(_plain(shown)))
    shown[place] = replace(shown[place], fish=(), note="empty view")


def _tagged_fish(shown: list[Presentation], rng: np.random.Generator) -> None:
    """Let one animal stand for several presentations of its species; a slice with too few goes without."""
    for tag, (code, times) in TAGGED.items():
        places = [place for place, one in enumerate(shown) if one.label == code and not one.note][:times]
        fish = draw_fish(code, rng)
        for turn, place in enumerate(places if len(places) == times else (), start=1):
            shown[place] = replace(shown[place], fish=(fish,), individual=tag, note=f"tagged, time {turn}")


def _fouled_day(shown: list[Presentation]) -> None:
    dates = [one.time.date() for one in shown if one.week == 4]
    for place in [p for p, one in enumerate(shown) if dates and one.time.date() == dates[0]]:
        shown[place] = replace(shown[place], fouled=0.8, note=shown[place].note or "fouled lens")


def _lamp_failure(shown: list[Presentation]) -> None:
    nights = [place for place, one in enumerate(shown) if one.light != "day" and one.week == 5]
    for place in nights[:2]:
        shown[place] = replace(shown[place], lamp_failed=True, note=shown[place].note or "lamp failure")


def _draw_shots(presentation: Presentation, setup_id: str, day_seed: int, rng: np.random.Generator) -> list[Shot]:
    return [
        Shot(
            setup_id=setup_id,
            light=presentation.light,
            turbidity_ntu=presentation.turbidity_ntu,
            day_seed=day_seed,
            seed=int(rng.integers(2**62)),
            subjects=tuple(Subject(fish, view) for fish in presentation.fish),
            fouled=presentation.fouled,
            lamp_failed=presentation.lamp_failed,
            attached=presentation.attached,
        )
        for view in Views().draw(rng)
    ]


def _row(
    name: str, one: Presentation, site: str, setup_id: str, images: list[str], shots: list[Shot]
) -> dict[str, str]:
    return {
        "presentation_id": name,
        "time": one.time.isoformat(),
        "site": site,
        "event": f"QMR-{one.time:%Y%m%d}",
        "setup_id": setup_id,
        "camera": ";".join(camera_of(shot) for shot in shots),
        "images": ";".join(images),
        "light": one.light,
        "turbidity_NTU": f"{one.turbidity_ntu:.1f}",
        "waterTemperature_C": f"{one.temperature_c:.1f}",
    }
