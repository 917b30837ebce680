"""Workbooks as crews write them: what a person sees beside the values is read, or told, and never lost silently."""

from collections.abc import Sequence
from pathlib import Path

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.worksheet.worksheet import Worksheet

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import check_batch
from passage_cv.intake.layout import draft_layout, write_layout
from passage_cv.intake.refused import draft_of
from passage_cv.intake.resolutions import read_resolutions
from passage_cv.intake.sheet import Sheet, read_sheet
from passage_cv.intake.workbook_marks import letters
from tests.batches import FACTS, jpeg

HEAD = ("Photo", "Fish #", "Species", "TL (mm)", "Wt (g)")


def book_of(*rows: Sequence[object]) -> tuple[openpyxl.Workbook, Worksheet]:
    """A workbook with notes on its first sheet, and on its second a title and these rows from row 3 on."""
    book = openpyxl.Workbook()
    notes = book.create_sheet("Notes", 0)
    notes.append(["Crew: RKV, TBO"])
    sheet = book.create_sheet("Catch", 1)
    sheet.append(["Kettleback Weir, May"])
    sheet.append([])
    for row in rows:
        sheet.append(list(row))
    return book, sheet


def read(book: openpyxl.Workbook, folder: Path) -> Sheet:
    folder.mkdir(exist_ok=True)
    book.save(folder / "sheet.xlsx")
    return read_sheet(folder / "sheet.xlsx")


def column(sheet: Sheet, heading: str) -> list[str]:
    return [row.cells[heading] for row in sheet.rows]


def test_merged_cells_count_for_each_of_their_rows_and_a_merged_title_for_none(tmp_path: Path) -> None:
    book, sheet = book_of(HEAD, ("1.jpg", 1, "NSH"), ("2.jpg", 2), ("3.jpg", 3), ("4.jpg", 4, "BOW"), ("5.jpg", 5))
    sheet.merge_cells("C4:C6")
    sheet.merge_cells("A1:E1")
    sheet.merge_cells("D4:E4")  # side by side: two columns, nothing to repeat
    found = read(book, tmp_path)
    assert column(found, "Species") == ["NSH", "NSH", "NSH", "BOW", ""]
    assert column(found, "Wt (g)") == [""] * 5
    assert found.doubts == ("merged cells C4:C6 were read as one value for each of their rows",)


def test_sums_below_or_between_are_no_fish(tmp_path: Path) -> None:
    rows = [
        ("1.jpg", 1, "NSH", 480),
        ("Subtotal", 1),
        ("2.jpg", 2, "BOW", 510),
        (),
        (None, "Total:", 2, 990),
        ("Mean",),
    ]
    book, _ = book_of(HEAD, *rows)
    found = read(book, tmp_path)
    assert [row.number for row in found.rows] == [4, 6]
    assert found.doubts == ("rows 5 (Subtotal), 8 (Total:), 9 (Mean) sum up others and were not read as fish",)


def test_a_picture_called_total_is_a_fish(tmp_path: Path) -> None:
    book, _ = book_of(HEAD, ("Total", "1.jpg", "NSH", 480))
    assert len(read(book, tmp_path).rows) == 1


def test_units_in_a_row_of_their_own_join_the_headings(tmp_path: Path) -> None:
    book, sheet = book_of(
        ("Photo", "Fish #", "Species", "TL", "Wt"), ("", "", "", "(cm)", "g"), ("1.jpg", 1, "NSH", 48, 900)
    )
    sheet.merge_cells("A3:A4")  # a heading over both rows
    found = read(book, tmp_path)
    assert found.headings == ("Photo", "Fish #", "Species", "TL (cm)", "Wt (g)")
    assert [row.number for row in found.rows] == [5]
    assert "row 4 holds units, which were put beside the headings" in found.supposed


def test_hidden_columns_and_rows_comments_and_dead_formulas_are_told(tmp_path: Path) -> None:
    book, sheet = book_of(HEAD, ("1.jpg", 1, "NSH", 480, "=D4*2"), ("2.jpg", 2, "BOW", 510, 900))
    sheet.column_dimensions["E"].hidden = True
    sheet.row_dimensions[5].hidden = True
    sheet["D4"].comment = Comment("tail damaged", "RKV")
    found = read(book, tmp_path)
    assert len(found.rows) == 2  # read all the same
    assert found.doubts == (
        "1 formulas have no stored result and read as empty, first E4; open the workbook and save it again",
        "hidden columns were read like the others: E",
        "1 hidden rows were read like the others: 5",
        "1 cells have a comment, which no column keeps: D4 'tail damaged'",
    )


@pytest.mark.parametrize("sign", ['"', "”", "″", "〃", "↓", "do.", "dto", "Same", "as above", "idem"])
def test_each_sign_that_repeats_is_asked_about_and_repeats_once_confirmed(tmp_path: Path, sign: str) -> None:
    book, _ = book_of(HEAD, ("images/1.jpg", 1, "NSH", 480), ("images/2.jpg", 2, sign, 470))
    read(book, tmp_path)
    (tmp_path / "images").mkdir()
    for i in (1, 2):
        (tmp_path / f"images/{i}.jpg").write_bytes(jpeg(f"ditto {i}"))
    (tmp_path / "trip.toml").write_text("".join(f'{k} = "{v}"\n' for k, v in FACTS.items()), encoding="utf-8")
    first = check_batch(tmp_path, keep_working=False)
    layout = draft_layout(read_sheet(first.sheet), list(first.proposals), who="RKV")
    write_layout(layout, tmp_path / "layout.toml")
    assert "ditto" in {one.kind for one in check_batch(tmp_path, keep_working=False).unresolved}
    write_layout(layout.model_copy(update={"repeated": ("Species",)}), tmp_path / "layout.toml")
    batch = check_batch(tmp_path, keep_working=False)
    assert batch.unresolved == ()
    assert [line.species.code for line in batch.rows if line.species] == ["NSH", "NSH"]


def test_columns_have_letters() -> None:
    # From memory of any spreadsheet: Z is the 26th column, AA the 27th, ZZ the 702nd, AAA the 703rd.
    assert [letters(n) for n in (1, 26, 27, 702, 703)] == ["A", "Z", "AA", "ZZ", "AAA"]


def crew_batch(folder: Path, head: Sequence[str], *rows: Sequence[object]) -> CheckedBatch:
    """A batch of such a workbook, a picture for each row, with every heading confirmed as proposed."""
    book, _ = book_of(head, *rows)
    read(book, folder)
    (folder / "images").mkdir()
    for i in range(len(rows)):
        (folder / f"images/{i + 1}.jpg").write_bytes(jpeg(f"crew {i}"))
    (folder / "trip.toml").write_text("".join(f'{k} = "{v}"\n' for k, v in FACTS.items()), encoding="utf-8")
    first = check_batch(folder, keep_working=False)
    layout = draft_layout(read_sheet(first.sheet), list(first.proposals), who="RKV")
    write_layout(layout.model_copy(update={"repeated": ("Species",)}), folder / "layout.toml")
    return check_batch(folder, keep_working=False)


def test_proposals_of_a_crews_sheet_are_signed_under_its_own_headings_and_in_its_own_units(tmp_path: Path) -> None:
    head = ("Photo", "Fish #", "Species", "TL (in)", "Wt (lb)")
    rows = [
        ("images/1.jpg", 1, "NSH", 18.9, "1\u00a0050"),
        ("images/2.jpg", 2, "do", "l9.1", "1,3 kg"),
        ("images/3.jpg", 3, "do", "n/a", 2.2),
    ]
    batch = crew_batch(tmp_path / "b", head, *rows)
    told = [one for one in batch.unresolved if one.kind in {"not a number", "not measured"}]
    assert len(told) == 4
    draft = draft_of(batch, told).replace('why = "?"', 'why = "read again"').replace('who = "?"', 'who = "ELQ"')
    lines = [line for line in draft.splitlines() if not line.startswith(("# Row", "# Perhaps", "# Leave"))]
    signed_text = "\n".join(line.removeprefix("# ") for line in lines)
    (tmp_path / "b/resolutions.toml").write_text(signed_text, encoding="utf-8")
    signed = read_resolutions(tmp_path / "b").correct
    # 1.3 kg over 0.45359237 kg, the pound of 1959, is 2.86601.
    assert [(one.column, one.becomes) for one in signed] == [
        ("Wt (lb)", "1050"), ("TL (in)", "19.1"), ("Wt (lb)", "2.86601"), ("TL (in)", ""),
    ]  # fmt: skip
    again = check_batch(tmp_path / "b", keep_working=False)
    assert not [one for one in again.unresolved if one.kind in {"correction without its cell", "not a number"}]
    assert again.rows[1].numbers["weight_g"] == pytest.approx(1300, abs=0.01)
    assert again.rows[2].numbers["length_mm"] is None


@pytest.mark.parametrize(
    ("cell", "meant"),
    [
        ("1\u00a0050", "1050"),
        ("12\u202f500", "12500"),
        ("1 050", None),  # a person's space may stand for a point
        ("1\u00a005", None),
        ("1,3 kg", "1300"),
        ("1,300 kg", None),  # 1300 or 1.3
        ("4l0", "410"),
        ("about 5", None),
    ],
)
def test_a_number_is_proposed_only_where_one_reading_is_left(tmp_path: Path, cell: str, meant: str | None) -> None:
    batch = crew_batch(tmp_path / "b", HEAD, ("images/1.jpg", 1, "NSH", 480, cell))
    (found,) = [one for one in batch.unresolved if one.kind in {"not a number", "decimal comma"}]
    assert (found.change.value if found.change else None) == meant
