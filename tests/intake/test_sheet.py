"""Sheets as crews send them: read, numbered and named, never judged."""

from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest

from passage_cv.errors import InputError
from passage_cv.intake.sheet import find_sheet, read_facts, read_sheet


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_text(text, encoding=encoding)
    return path


def test_rows_carry_the_number_that_the_spreadsheet_shows(tmp_path: Path) -> None:
    sheet = read_sheet(write(tmp_path / "sheet.csv", "image,code\na.jpg,NSH\n,\n\nb.jpg,BOW\n"))
    assert [(row.number, row.cells["image"]) for row in sheet.rows] == [(2, "a.jpg"), (5, "b.jpg")]


def test_csv_and_xlsx_give_the_same_rows(tmp_path: Path) -> None:
    csv = read_sheet(write(tmp_path / "a.csv", 'image,length_mm,note\r\n1.jpg,412,"cut, healed"\r\n'))
    book = openpyxl.Workbook()
    book.active.append(["image", "length_mm", "note"])
    book.active.append(["1.jpg", 412, "cut, healed"])
    book.save(tmp_path / "b.xlsx")
    xlsx = read_sheet(tmp_path / "b.xlsx")
    assert csv.headings == xlsx.headings
    assert [row.cells for row in csv.rows] == [row.cells for row in xlsx.rows]


def test_excel_dates_become_iso(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["image", "eventDate", "taken_at"])
    book.active.append(["1.jpg", date(2031, 5, 11), datetime(2031, 5, 11, 20, 15)])  # noqa: DTZ001 - Excel knows no offset
    book.save(tmp_path / "b.xlsx")
    cells = read_sheet(tmp_path / "b.xlsx").rows[0].cells
    assert (cells["eventDate"], cells["taken_at"]) == ("2031-05-11", "2031-05-11T20:15:00")


def test_a_byte_order_mark_and_confirmed_headings(tmp_path: Path) -> None:
    path = write(tmp_path / "s.csv", "Picture,Fish no\n1.jpg,7\n", "utf-8-sig")
    sheet = read_sheet(path, headings={"Picture": "image", "Fish no": "individual"})
    assert sheet.rows[0].cells == {"image": "1.jpg", "individual": "7"}


def test_widths_are_told_not_mended(tmp_path: Path) -> None:
    sheet = read_sheet(write(tmp_path / "s.csv", "image,code\n1.jpg\n2.jpg,NSH,extra\n3.jpg,BOW,,\n"))
    assert [row.n_cells for row in sheet.rows] == [1, 3, 2]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "Sheet is empty"),
        ("image,gr\u00f6\u00dfe\n".encode("cp1252") + b"\x81", "neither UTF-8 nor Windows-1252 at byte 12"),
        (b"\xff\xfei\x00m", "neither UTF-8"),
        (b"image,image\n", "Two columns are headed image"),
        (b'image,code\n"1.jpg,NSH\n', "Sheet is not CSV"),
    ],
)
def test_unreadable_sheets_say_why(tmp_path: Path, data: bytes, message: str) -> None:
    (tmp_path / "s.csv").write_bytes(data)
    with pytest.raises(InputError, match=message):
        read_sheet(tmp_path / "s.csv")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_letters_and_separators_of_every_office(tmp_path: Path, encoding: str, separator: str) -> None:
    text = "image,individual,note\n1.jpg,7,große Wunde\n".replace(",", separator)
    sheet = read_sheet(write(tmp_path / "s.csv", text, encoding))
    assert sheet.rows[0].cells == {"image": "1.jpg", "individual": "7", "note": "große Wunde"}
    assert any("große" in said for said in sheet.supposed) == (encoding == "cp1252")
    assert any("separated" in said for said in sheet.supposed) == (separator != ",")


def test_days_and_times_of_a_workbook_are_told_apart(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["image", "eventDate", "taken_at"])
    for hour in (0, 9):  # a column with other times keeps its midnights
        book.active.append(["1.jpg", datetime(2031, 5, 11), datetime(2031, 5, 11, hour)])  # noqa: DTZ001 - as above
    book.save(tmp_path / "b.xlsx")
    cells = [row.cells for row in read_sheet(tmp_path / "b.xlsx").rows]
    assert [cell["eventDate"] for cell in cells] == ["2031-05-11", "2031-05-11"]
    assert cells[0]["taken_at"] == "2031-05-11T00:00:00"


def test_the_sheet_with_the_headings_is_read_and_said(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Read me first"])
    data = book.create_sheet("Fish 2031")
    data.append(["Crew RKV, Kettleback"])
    data.append([])
    data.append(["image", "individual", "code"])
    data.append(["1.jpg", 1, "NSH"])
    book.save(tmp_path / "b.xlsx")
    sheet = read_sheet(tmp_path / "b.xlsx")
    assert (sheet.rows[0].number, sheet.titles) == (4, ("Crew RKV, Kettleback",))
    assert sheet.supposed == ("of 2 sheets 'Fish 2031' was read",)


def test_a_damaged_workbook_is_refused(tmp_path: Path) -> None:
    (tmp_path / "s.xlsx").write_bytes(b"PK\x03\x04 not a workbook")
    with pytest.raises(InputError, match="Sheet is not XLSX"):
        read_sheet(tmp_path / "s.xlsx")


def test_the_sheet_named_sheet_wins(tmp_path: Path) -> None:
    write(tmp_path / "notes.csv", "a\n")
    write(tmp_path / "checklist.csv", "scientific_name\n")
    assert find_sheet(tmp_path).name == "notes.csv"
    write(tmp_path / "more.csv", "a\n")
    with pytest.raises(InputError, match=r"found more.csv, notes.csv"):
        find_sheet(tmp_path)
    write(tmp_path / "Sheet.csv", "a\n")
    assert find_sheet(tmp_path).name == "Sheet.csv"


def test_facts_are_text_whatever_their_kind(tmp_path: Path) -> None:
    write(tmp_path / "trip.toml", 'trip = "T1"\neventDate = 2031-05-11T20:00:00-04:00\nturbidity_NTU = 22.0\n')
    assert read_facts(tmp_path) == {"trip": "T1", "eventDate": "2031-05-11T20:00:00-04:00", "turbidity_NTU": "22"}
    write(tmp_path / "trip.toml", "[trip]\nname = 1\n")
    with pytest.raises(InputError, match="found a table or list at trip"):
        read_facts(tmp_path)
