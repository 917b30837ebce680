"""A column of times alone is proposed as what it is, joined with the date of its line, and asked about otherwise."""

from collections.abc import Mapping
from datetime import time
from pathlib import Path

import openpyxl
import pytest

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import check_batch
from passage_cv.intake.layout import draft_layout, write_layout
from passage_cv.intake.resolutions import Correction, LetStand, Resolutions, write_resolutions
from passage_cv.intake.sheet import read_sheet
from passage_cv.intake.times import parse_time_of_day
from passage_cv.intake.times_of_day import place_time
from tests.batches import FACTS, jpeg

Row = Mapping[str, object]
DAY = "2031-05-11"
NIGHT = "2031-05-11T20:00-04:00/2031-05-12T02:00-04:00"


def write_sheet(folder: Path, times: list[object], *, kind: str, event_date: str) -> Path:
    """A crew's sheet with a picture, a fish number, a code and a time in each line."""
    (folder / "images").mkdir(parents=True)
    head: list[object] = ["Photo", "Fish #", "Spp", "Time"]
    rows: list[list[object]] = [[f"images/{i}.jpg", i, ("NSH", "BOW")[i % 2], clock] for i, clock in enumerate(times)]
    for i in range(len(times)):
        (folder / f"images/{i}.jpg").write_bytes(jpeg(f"clock {i}"))
    if kind == "xlsx":
        book = openpyxl.Workbook()
        sheet = book.create_sheet("fish", 0)
        for row in (head, *rows):
            sheet.append(row)
        book.save(folder / "sheet.xlsx")
    else:
        lines = [",".join(str(cell) for cell in row) for row in (head, *rows)]
        (folder / "sheet.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    facts = {**FACTS, "eventDate": event_date}
    (folder / "trip.toml").write_text("".join(f'{k} = "{v}"\n' for k, v in facts.items() if v), encoding="utf-8")
    return folder


def confirm(folder: Path, **more: str) -> CheckedBatch:
    """Accept every proposal, as a person would, and check again."""
    first = check_batch(folder)
    layout = draft_layout(read_sheet(first.sheet), list(first.proposals), who="RKV")
    write_layout(layout.model_copy(update=more), folder / "layout.toml")
    return check_batch(folder)


def taken(batch: CheckedBatch) -> list[str]:
    return [line.text["taken_at"] for line in batch.rows]


def told(batch: CheckedBatch) -> list[tuple[str, int | None]]:
    """What must be resolved about times."""
    kinds = ("time of day", "day of a time", "picture time")
    return [(one.kind, one.row) for one in batch.unresolved if one.kind in kinds]


@pytest.mark.parametrize(
    ("kind", "times"), [("csv", ["20:15", "20:40:30"]), ("xlsx", [time(20, 15), time(20, 40, 30)])]
)
def test_times_alone_are_proposed_and_joined_with_the_date_of_the_event(
    tmp_path: Path, kind: str, times: list[object]
) -> None:
    folder = write_sheet(tmp_path / "b", times, kind=kind, event_date=DAY)
    first = check_batch(folder)
    (proposal,) = [one for one in first.proposals if one.heading == "Time"]
    assert (proposal.column, proposal.unit) == ("timeOfDay", "")
    (said,) = [one.message for one in first.findings if one.message.startswith("'Time'")]
    assert "a time of day, joined with eventDate into taken_at" in said
    assert taken(first) == ["", ""]  # nothing before a person confirms it
    batch = confirm(folder, offset="-04:00")
    assert taken(batch) == ["2031-05-11T20:15:00-04:00", "2031-05-11T20:40:30-04:00"]
    assert told(batch) == []
    assert batch.rows[0].cells["Time"].startswith("20:15")  # as received


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_over_midnight_the_event_says_which_day(tmp_path: Path, kind: str) -> None:
    folder = write_sheet(tmp_path / "b", ["19:50", "23:50", "0:10"], kind=kind, event_date=NIGHT)
    batch = confirm(folder)
    assert taken(batch) == ["2031-05-11T19:50:00-04:00", "2031-05-11T23:50:00-04:00", "2031-05-12T00:10:00-04:00"]
    assert told(batch) == []


def test_a_column_with_dates_stays_a_time_with_a_date(tmp_path: Path) -> None:
    whole = ["2031-05-11 20:15", "2031-05-11 20:40"]
    folder = write_sheet(tmp_path / "b", list(whole), kind="csv", event_date=DAY)
    (proposal,) = [one for one in check_batch(folder).proposals if one.heading == "Time"]
    assert proposal.column == "taken_at"


def test_without_a_date_it_is_asked(tmp_path: Path) -> None:
    batch = confirm(write_sheet(tmp_path / "b", ["20:15", "20:40"], kind="csv", event_date=""))
    assert taken(batch) == ["", ""]
    assert told(batch) == [("time of day", 2)]
    (asked,) = [one for one in batch.unresolved if one.kind == "time of day"]
    assert "2 times of day such as '20:15' (row 2) have no date" in asked.message


def test_where_two_days_fit_it_is_asked_and_a_date_in_the_cell_answers(tmp_path: Path) -> None:
    folder = write_sheet(tmp_path / "b", ["20:15", "dusk"], kind="csv", event_date="2031-05-11/2031-05-12")
    batch = confirm(folder)
    assert told(batch) == [("time of day", 3), ("time of day", 2)]
    said = {"column": "Time", "why": "from the card", "who": "ELQ"}
    corrections = (
        Correction(row=2, was="20:15", becomes="2031-05-12T20:15:00-04:00", **said),
        Correction(row=3, was="dusk", becomes="", **said),
    )
    write_resolutions(folder, Resolutions(correct=corrections))
    batch = check_batch(folder)
    assert taken(batch) == ["2031-05-12T20:15:00-04:00", ""]
    assert told(batch) == []


def test_times_that_fall_back_past_midnight_on_one_day_are_asked(tmp_path: Path) -> None:
    folder = write_sheet(tmp_path / "b", ["23:50", "0:10", "0:20"], kind="csv", event_date=DAY)
    batch = confirm(folder)
    assert told(batch) == [("day of a time", 3)]
    stand = LetStand(kind="day of a time", row=3, why="the sheet is sorted by species", who="ELQ")
    write_resolutions(folder, Resolutions(let_stand=(stand,)))
    assert told(check_batch(folder)) == []


def test_an_own_heading_needs_no_layout(tmp_path: Path) -> None:
    folder = write_sheet(tmp_path / "b", ["20:15"], kind="csv", event_date=DAY)
    text = (folder / "sheet.csv").read_text()
    (folder / "sheet.csv").write_text(text.replace("Photo,Fish #,Spp,Time", "image,individual,code,timeOfDay"))
    assert taken(check_batch(folder)) == ["2031-05-11T20:15:00"]


def test_an_old_layout_that_took_times_for_moments_is_told_what_to_do(tmp_path: Path) -> None:
    folder = write_sheet(tmp_path / "b", ["20:15"], kind="csv", event_date=DAY)
    confirm(folder)
    path = folder / "layout.toml"
    path.write_text(path.read_text().replace('"timeOfDay"', '"taken_at"'))
    batch = check_batch(folder)
    assert told(batch) == [("picture time", 2)]
    assert any("Confirm the column as timeOfDay" in (one.proposal or "") for one in batch.unresolved)


@pytest.mark.parametrize(
    ("clock", "event", "moment"),
    [
        (time(20, 15), DAY, "2031-05-11T20:15:00"),
        (time(0, 40), "2031-05-11T20:00-04:00", "2031-05-12T00:40:00-04:00"),  # an event of which the start is known
        (time(19, 0), "2031-05-11T20:00-04:00", "2031-05-11T19:00:00-04:00"),
        (time(10, 0), NIGHT, None),  # outside of it
        (
            time(1, 30),
            "2031-11-01T20:00-04:00/2031-11-02T03:00-05:00",
            None,
        ),  # twice in the night of the clock change
        (time(21, 0), "20 April", None),
    ],
)
def test_the_moment_of_a_clock(clock: time, event: str, moment: str | None) -> None:
    placed = place_time(clock, event)
    assert (placed.isoformat() if placed else None) == moment


@pytest.mark.parametrize("text", ["24:10", "8:75", "480", "", "12", "0:10 pm", "about 8", "1.5", "2031-05-11"])
def test_what_is_no_time_of_day(text: str) -> None:
    assert parse_time_of_day(text) is None
