"""The papers a crew takes along: targets that add up, and a sheet that ``check`` reads without a question."""

import csv
import shutil
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest

from passage_cv.intake.check import check_batch
from passage_cv.planning.field_sheet import SHEET_COLUMNS, write_field_papers
from tests.batches import jpeg

FILLED = {
    "image": "images/1.jpg",
    "individual": "1",
    "code": "NSH",
    "eventID": "2031-05-11-RKV-1",
    "eventDate": "2031-05-11T20:00:00-04:00",
    "setup_id": "KBW-A",
    "light": "night",
    "sex": "U",
    "mark": "NM",
    "length_mm": "480",
    "length_type": "TL",
}


@pytest.fixture
def papers(tmp_path: Path) -> Path:
    write_field_papers(
        tmp_path / "papers",
        {"NSH": 45, "BCF": 0, "ASE": 7},
        site="QMR-KBW-01",
        length_edges_mm=(300, 500),
        lights=("day", "night"),
    )
    return tmp_path / "papers"


def filled_batch(papers: Path, folder: Path, ending: str) -> Path:
    """The template as a crew brings it back, one line filled in."""
    (folder / "images").mkdir(parents=True)
    (folder / "images" / "1.jpg").write_bytes(jpeg("filled template"))
    trip = (papers / "template" / "trip.toml").read_text()
    for key, value in {"trip": "2031-05-11-RKV", "permit": "QMR-31-001", "animalCareProtocol": "ACP-0300"}.items():
        assert f'{key} = ""' in trip
        trip = trip.replace(f'{key} = ""', f'{key} = "{value}"')
    (folder / "trip.toml").write_text(trip.replace('recordedBy = ""', 'recordedBy = "RKV"'))
    sheet = folder / f"sheet.{ending}"
    shutil.copy(papers / "template" / sheet.name, sheet)
    line = [FILLED.get(column, "") for column in SHEET_COLUMNS]
    if ending == "csv":
        with sheet.open("a", newline="") as stream:
            csv.writer(stream).writerow(line)
    else:
        workbook = openpyxl.load_workbook(sheet)
        workbook["sheet"].append([int(cell) if cell.isdecimal() else cell or None for cell in line])
        workbook.save(sheet)
    return folder


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_filled_template_is_read_without_a_question(papers: Path, tmp_path: Path, ending: str) -> None:
    checked = check_batch(filled_batch(papers, tmp_path / "batch", ending))
    assert checked.unresolved == ()
    assert [finding for finding in checked.findings if finding.severity == "please look"] == []
    (row,) = checked.kept_lines()
    assert row.individual == "2031-05-11-RKV-1/1"


def test_the_field_sheet_holds_every_target(papers: Path) -> None:
    page = (papers / "field_sheet.html").read_text()
    assert "NSH: 45 fish" in page
    assert "ASE: 7 fish" in page
    assert "BCF" not in page  # nothing is missing there
    for words in ("under 300", "300 to 499", "500 and over", "night"):
        assert words in page


def test_the_spreadsheet_repeats_the_targets(papers: Path) -> None:
    plan = openpyxl.load_workbook(papers / "template" / "sheet.xlsx")["targets"]
    rows = list(plan.iter_rows(min_row=2, values_only=True))
    assert sum(row[3] for row in rows if row[0] == "NSH") == 45
    assert sum(row[3] for row in rows if row[0] == "ASE") == 7


def test_an_empty_plan_says_so(tmp_path: Path) -> None:
    write_field_papers(tmp_path, {"NSH": 0}, site="")
    assert "No fish is missing." in (tmp_path / "field_sheet.html").read_text()


def test_dates_of_the_template_carry_an_offset() -> None:
    assert datetime.fromisoformat(FILLED["eventDate"]).utcoffset() is not None
