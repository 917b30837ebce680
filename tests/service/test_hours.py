"""Attended and unattended hours: the right package at the right time, and what a timetable may say."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.config import configs_folder
from passage_cv.gate.hours import Hours, read_shift
from passage_cv.gate.site import Site, read_site
from passage_cv.records import Action
from passage_cv.service.controller import Controller
from passage_cv.service.frames import ListedCamera, SimulatedClock
from passage_cv.service.log import GateLog
from passage_cv.service.presence import FIRST_FRAMES
from tests.gate_world import build_world
from tests.service.river import River, SimulatedPlant

DAY = Hours(zone="America/New_York", attended=("Mon-Fri 06:00-18:00",))


@pytest.mark.parametrize(
    ("local", "expected"),
    [
        ("2031-05-05T05:59", False),  # a Monday
        ("2031-05-05T06:00", True),
        ("2031-05-05T17:59", True),
        ("2031-05-05T18:00", False),
        ("2031-05-10T12:00", False),  # a Saturday
        ("2031-01-06T06:00", True),  # a Monday in winter: local time, whatever the offset
    ],
)
def test_a_shift_counts_in_local_time(local: str, expected: bool) -> None:
    moment = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo(DAY.zone))
    assert DAY.is_attended(moment.astimezone(UTC)) is expected


@given(start=st.integers(0, 1439), end=st.integers(0, 1439), minute=st.integers(0, 7 * 1440 - 1))
def test_a_shift_and_its_opposite_cover_every_minute_once(start: int, end: int, minute: int) -> None:
    if start == end:
        return
    text = [f"{at // 60:02d}:{at % 60:02d}" for at in (start, end)]
    shift, rest = read_shift(f"Mon-Sun {text[0]}-{text[1]}"), read_shift(f"Mon-Sun {text[1]}-{text[0]}")
    day, at = divmod(minute, 1440)
    assert shift.covers(day, at) != rest.covers(day, at)


def test_a_night_shift_goes_on_into_the_next_day() -> None:
    night = read_shift("Fri 20:00-04:00")
    assert [night.covers(day, 3 * 60) for day in (3, 4, 5)] == [False, False, True]


@pytest.fixture
def site() -> Site:
    shipped = read_site(configs_folder() / "site" / "kettleback.toml")
    return shipped.model_copy(
        update={"setup_id": "demo-setup", "hours": Hours(zone="UTC", attended=("Mon-Sun 08:00-09:00",))}
    )


def test_each_hour_has_its_package(package: Path, site: Site, tmp_path: Path) -> None:
    closed = build_world(tmp_path / "closed", safe_position="closed", attempts=2).pack(tmp_path / "unattended")
    clock, river = SimulatedClock(datetime(2031, 5, 5, 8, 59, 50, tzinfo=UTC)), River()
    with GateLog(tmp_path / "gate.sqlite") as log:
        controller = Controller(package, site, log, SimulatedPlant(), clock, unattended=closed)
        controller.start(by="TBO", shadow=True)
        for pictures in (river.empty(FIRST_FRAMES), river.one("AMS")):
            controller.run(ListedCamera([*pictures], clock, setup_id="demo-setup"))
        for _ in range(9):
            clock.seconds += 1.0
            controller.run(ListedCamera([*river.empty(1)], clock, setup_id="demo-setup"))
        controller.run(ListedCamera([*river.one("AMS")], clock, setup_id="demo-setup"))
        lines = list(log.lines())
    assert [line.attended for line in lines] == [True, False]
    assert [line.action for line in lines] == [Action.PASS, Action.PASS]
    assert len({line.package_id for line in lines}) == 2
    assert timedelta(0) < datetime.fromisoformat(lines[1].time) - datetime.fromisoformat(lines[0].time)


def test_a_timetable_needs_two_packages_and_none_needs_one(package: Path, site: Site, tmp_path: Path) -> None:
    second = Path(shutil.copytree(package, tmp_path / "second"))
    for unattended, hours, needed in ((None, site.hours, "attended, unattended"), (second, None, "always")):
        with GateLog(tmp_path / f"gate-{needed[:2]}.sqlite") as log:
            own = site.model_copy(update={"hours": hours})
            controller = Controller(
                package,
                own,
                log,
                SimulatedPlant(),
                SimulatedClock(datetime(2031, 5, 5, tzinfo=UTC)),
                unattended=unattended,
            )
            controller.start(by="TBO", shadow=True)
            assert f"needed {needed}" in log.events()[-1][2]
