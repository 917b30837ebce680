"""Sheets with headings of their own: proposed with evidence, read as a person confirmed, received cells kept."""

from pathlib import Path

import openpyxl
import pytest

from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.intake.headings import HeadingProposal, propose_headings
from passage_cv.intake.layout import (
    ColumnUse,
    Layout,
    apply_layout,
    draft_layout,
    find_layout,
    foreign_columns,
    read_date,
    remember_layout,
    write_layout,
)
from passage_cv.intake.names import shipped_names
from passage_cv.intake.resolutions import Correction, Resolutions, write_resolutions
from passage_cv.intake.sheet import Sheet, SheetRow, read_sheet
from passage_cv.intake.units import read_unit, to_si, units_of
from tests.batches import FACTS, jpeg, write_batch

CREW = "Photo,Fish #,Spp,TL (in),Wt (lb),H2O Temp (F),Recorder,Weather\n"
CREW += "images/1.jpg,1,NSH,18.9,2.27,59,RKV,rain\nimages/2.jpg,2,BOW,20,2.9,59,RKV,rain\n"


def write_crew_batch(folder: Path, sheet: str = CREW) -> Path:
    (folder / "images").mkdir(parents=True)
    (folder / "sheet.csv").write_text(sheet, encoding="utf-8")
    (folder / "trip.toml").write_text("".join(f'{k} = "{v}"\n' for k, v in FACTS.items()), encoding="utf-8")
    for i in (1, 2):
        (folder / f"images/{i}.jpg").write_bytes(jpeg(f"crew {i}"))
    return folder


def sheet_of(headings: str, *rows: str) -> Sheet:
    head = tuple(headings.split(","))
    cells = (dict(zip(head, row.split(","), strict=True)) for row in rows)
    return Sheet(
        Path("s.csv"), head, tuple(SheetRow(i, one, len(head), len(head)) for i, one in enumerate(cells, start=2))
    )


def proposals(headings: str, *rows: str) -> dict[str, HeadingProposal]:
    return {one.heading: one for one in propose_headings(sheet_of(headings, *rows), shipped_names())}


@pytest.mark.parametrize(
    ("heading", "cell", "column", "unit", "length_type"),
    [
        ("Photo No.", "1.jpg", "image", "", ""),
        ("Fish #", "7", "individual", "", ""),
        ("TL (in)", "18.9", "length_mm", "in", "TL"),
        ("Fork length cm", "40", "length_mm", "cm", "FL"),
        ("FL_mm", "400", "length_mm", "mm", "FL"),
        ("Weight", "900", "weight_g", "g", ""),
        ("Wt [oz]", "31", "weight_g", "oz", ""),
        ("Water Temp (°F)", "59", "waterTemperature_C", "F", ""),
        ("Turb (NTU)", "22", "turbidity_NTU", "NTU", ""),
        ("Spp", "NSH", "code", "", ""),
        ("Species", "Channa argus", "scientificName", "", ""),
        ("species", "WPE", "code", "", ""),
        ("PIT tag", "999000000012345", "organismID", "", ""),
        ("Recordr", "RKV", "recordedBy", "", ""),
        ("setup id", "S1", "setup_id", "", ""),
        ("event_id", "E1", "eventID", "", ""),
        ("col 1", "a/b.JPG", "image", "", ""),
        ("what", "999000000012345", "organismID", "", ""),
        ("kind", "white perch", "scientificName", "", ""),
    ],
)
def test_headings_that_are_understood(heading: str, cell: str, column: str, unit: str, length_type: str) -> None:
    found = proposals(heading, cell)[heading]
    assert (found.column, found.unit, found.length_type, found.samples) == (column, unit, length_type, (cell,))
    assert 0 < found.confidence < 1


@pytest.mark.parametrize("heading", ["Turbidity (FNU)", "Flow (MGD)", "Wt (st)", "Total length (hands)"])
def test_a_unit_that_nobody_knows_is_asked_for(tmp_path: Path, heading: str) -> None:
    found = proposals(heading, "12")[heading]
    unit = heading.partition("(")[2].rstrip(")")
    assert (found.unit, found.note) == ("?", f"unit {unit!r} not known")
    assert found.confidence <= 0.5
    folder = write_crew_batch(tmp_path / "b", CREW.replace("Wt (lb)", heading).replace("TL (in)", "moon"))
    batch = check_batch(folder)
    (told,) = [one for one in batch.findings if one.message.startswith(repr(heading))]
    assert f"unit {unit!r} not known" in told.message
    assert "Name its unit" in str(told.proposal)
    write_layout(draft_layout(read_sheet(batch.sheet), list(batch.proposals), who="RKV"), folder / "layout.toml")
    assert "layout" in [one.kind for one in check_batch(folder).unresolved]


def test_a_layout_that_names_a_number_and_no_unit_is_refused() -> None:
    bare = layout_of(use=(ColumnUse(heading="Wt (st)", column="weight_g"), ColumnUse(heading="Spp", column="code")))
    assert foreign_columns(bare) == ["Wt (st): weight_g without a unit"]


def test_a_heading_without_a_unit_says_so(tmp_path: Path) -> None:
    assert proposals("Weight", "900")["Weight"].note == "unit not written"
    assert proposals("Weight (g)", "900")["Weight (g)"].note == ""
    batch = check_batch(write_crew_batch(tmp_path / "b", CREW.replace("Wt (lb)", "Weight")))
    assert any("weight_g in g (unit not written, confidence 0.90)" in one.message for one in batch.findings)


@pytest.mark.parametrize("heading", ["Weather", "notes", "moon", "length_mm"])
def test_headings_that_get_no_proposal(heading: str) -> None:
    assert proposals(heading, "x") == {}


def test_two_headings_never_share_a_column() -> None:
    found = proposals("Length,Total length,length_mm", "1,2,3")
    assert found == {}
    found = proposals("Lenght,Total length", "1,2")
    assert {one.column for one in found.values()} == {"length_mm"}
    assert list(found) == ["Total length"]


def test_a_crews_sheet_is_proposed_then_read_as_confirmed(tmp_path: Path) -> None:
    folder = write_crew_batch(tmp_path / "b")
    first = check_batch(folder)
    assert {one.kind for one in first.unresolved} == {
        "missing column",
        "picture without row",
        "no individual",
        "unknown name",
    }
    told = [finding.message for finding in first.findings if finding.kind == "heading to confirm"]
    assert "'TL (in)' may be length_mm in in, TL (confidence 0.90): 18.9, 20" in told
    sheet = read_sheet(folder / "sheet.csv")
    write_layout(draft_layout(sheet, list(first.proposals), who="RKV"), folder / "layout.toml")
    batch = check_batch(folder)
    assert batch.findings == ()
    line = batch.rows[0]
    assert (line.numbers["length_mm"], line.text["length_type"]) == (480.06, "TL")
    assert line.numbers["weight_g"] == pytest.approx(1029.65, abs=0.01)
    assert line.numbers["waterTemperature_C"] == 15
    assert line.cells["TL (in)"] == "18.9"  # as received
    assert line.cells["Weather"] == "rain"


def test_a_draft_counts_only_with_a_name_in_it(tmp_path: Path) -> None:
    folder = write_crew_batch(tmp_path / "b")
    batch = check_batch(folder)
    write_layout(draft_layout(read_sheet(batch.sheet), list(batch.proposals), who="?"), folder / "layout.toml")
    with pytest.raises(InputError, match="who"):
        check_batch(folder)


def test_a_layout_is_remembered_by_its_headings(tmp_path: Path) -> None:
    folder = write_crew_batch(tmp_path / "b")
    batch = check_batch(folder)
    kept = tmp_path / "layouts"
    kept.mkdir()
    layout = draft_layout(read_sheet(batch.sheet), list(batch.proposals), who="RKV")
    write_layout(layout, kept / "kettleback.toml")
    assert find_layout(folder, layout.headings, kept) == layout
    assert find_layout(folder, layout.headings[:-1], kept) is None
    assert check_batch(folder, layouts=kept).findings == ()


def test_a_layout_for_another_sheet_is_refused(tmp_path: Path) -> None:
    folder = write_crew_batch(tmp_path / "b")
    batch = check_batch(folder)
    write_layout(draft_layout(read_sheet(batch.sheet), list(batch.proposals), who="RKV"), folder / "layout.toml")
    (folder / "sheet.csv").write_text(CREW.replace("Wt (lb)", "Wt (kg)"), encoding="utf-8")
    kinds = [one.kind for one in check_batch(folder).unresolved]
    assert "layout" in kinds


def layout_of(**changes: object) -> Layout:
    return Layout.model_validate({"headings": (), "use": (), "who": "TBO", **changes})


@pytest.mark.parametrize(
    ("text", "order", "iso"),
    [
        ("11/5/2031", "day first", "2031-05-11"),
        ("11/5/2031", "month first", "2031-11-05"),
        ("11.5.2031 9:07", "day first", "2031-05-11T09:07:00-04:00"),
        ("2031/5/11", "iso", "2031-05-11"),
        ("31/5/2031", "month first", "31/5/2031"),  # impossible: left for the checks to show
        ("11/5/31", "day first", "11/5/31"),  # no century is guessed
        ("2031-05-11T20:00:00", "iso", "2031-05-11T20:00:00-04:00"),
        ("2031-05-11T20:00:00+02:00", "iso", "2031-05-11T20:00:00+02:00"),
    ],
)
def test_dates_in_the_confirmed_order(text: str, order: str, iso: str) -> None:
    assert read_date(text, layout_of(dates=order, offset="-04:00")) == iso


def test_a_time_zone_gives_the_offset_of_its_season_and_asks_where_two_fit() -> None:
    zoned = layout_of(dates="month first", zone="America/New_York")
    assert read_date("7/1/2031 21:15", zoned) == "2031-07-01T21:15:00-04:00"
    assert read_date("12/1/2031 21:15", zoned) == "2031-12-01T21:15:00-05:00"
    assert read_date("11/2/2031 1:30", zoned) == "2031-11-02T01:30:00"  # without offset: the checks ask
    with pytest.raises(ValueError, match="no time zone"):
        layout_of(zone="America/Kettleback")


@pytest.mark.parametrize(
    ("heading", "cell", "column", "value"),
    [
        ("Flow (cfs)", "1000", "discharge_m3_s", "28.316847"),  # 1 ft3 = 0.028316846592 m3, exact by definition
        ("TL (inches)", "18.5", "length_mm", "469.9"),
        ("Weight (oz)", "16", "weight_g", "453.59237"),
        ("Water temp (deg F)", "50", "waterTemperature_C", "10"),
    ],
)
def test_units_become_si_and_the_original_stays(heading: str, cell: str, column: str, value: str) -> None:
    sheet = sheet_of(heading, cell)
    (one,) = propose_headings(sheet, shipped_names())
    assert one.column == column
    (row,) = apply_layout(sheet, draft_layout(sheet, [one], who="TBO")).rows
    assert (row.cells[column], row.cells[heading]) == (value, cell)


def test_a_canonical_heading_in_another_unit_keeps_the_cell_as_received() -> None:
    use = ColumnUse(heading="length_mm", column="length_mm", unit="cm")
    (row,) = apply_layout(sheet_of("length_mm", "47.5"), layout_of(use=(use,))).rows
    assert row.cells == {"length_mm": "475", "length_mm as received": "47.5"}


def test_our_own_headings_are_read_as_confirmed_without_naming_them(tmp_path: Path) -> None:
    text = "image,individual,code,length_mm,length_type,eventDate\n"
    text += "".join(f'images/{i}.jpg,{i},NSH,"480,5",TL,05/06/2031 20:00\n' for i in (1, 2))
    folder = write_crew_batch(tmp_path / "b", text)
    assert {"decimal comma", "date order"} <= {one.kind for one in check_batch(folder).unresolved}
    headings = read_sheet(folder / "sheet.csv").headings
    told = layout_of(headings=headings, decimal=",", dates="day first", offset="-04:00")
    write_layout(told, folder / "layout.toml")
    batch = check_batch(folder)
    assert batch.findings == ()
    line = batch.rows[0]
    assert (line.numbers["length_mm"], line.text["eventDate"]) == (480.5, "2031-06-05T20:00:00-04:00")
    assert (line.cells["length_mm as received"], line.cells["eventDate as received"]) == ("480,5", "05/06/2031 20:00")


def test_a_point_beside_decimal_commas_is_asked_about(tmp_path: Path) -> None:
    text = 'image,individual,code,length_mm,length_type\nimages/1.jpg,1,NSH,"480,5",TL\nimages/2.jpg,2,NSH,1.480,TL\n'
    folder = write_crew_batch(tmp_path / "b", text)
    headings = read_sheet(folder / "sheet.csv").headings
    write_layout(layout_of(headings=headings, decimal=","), folder / "layout.toml")
    (found,) = check_batch(folder).unresolved
    assert (found.kind, found.row) == ("point beside decimal commas", 3)
    assert found.proposal == "Is it 1480, or 1,480?"
    told = Correction(row=3, column="length_mm", was="1.480", becomes="148.0", why="read again", who="TBO")
    write_resolutions(folder, Resolutions(correct=(told,)))
    assert check_batch(folder).unresolved == ()


def test_a_number_of_our_own_that_reads_the_same_stays_as_it_came() -> None:
    assert apply_layout(sheet_of("length_mm", "480.0"), layout_of()).rows[0].cells == {"length_mm": "480.0"}


def test_a_layout_is_kept_for_the_next_sheet_of_its_kind(tmp_path: Path) -> None:
    layout = layout_of(headings=("TL (in)", "Spp"), zone="America/New_York")
    path = remember_layout(layout, tmp_path / "layouts")
    assert remember_layout(layout, tmp_path / "layouts") == path
    assert find_layout(tmp_path, ("TL (in)", "Spp"), tmp_path / "layouts") == layout


def test_dittos_and_blanks_repeat_only_where_confirmed() -> None:
    sheet = sheet_of("code,sex", "NSH,F", '",', "do,M", ",")
    codes = [row.cells["code"] for row in apply_layout(sheet, layout_of(repeated=("code",))).rows]
    assert codes == ["NSH", "NSH", "NSH", ""]
    both = apply_layout(sheet, layout_of(repeated=("code", "sex"), blanks="same"))
    assert [(row.cells["code"], row.cells["sex"]) for row in both.rows] == [
        ("NSH", "F"),
        ("NSH", "F"),
        ("NSH", "M"),
        ("NSH", "M"),
    ]
    assert apply_layout(sheet, layout_of()).rows == sheet.rows


def test_decimal_commas_are_read_where_confirmed() -> None:
    use = (ColumnUse(heading="TL", column="length_mm", unit="cm", length_type="TL"),)
    sheet = sheet_of("TL;x".replace(";x", ""), "47")
    sheet = Sheet(sheet.path, ("TL",), (SheetRow(2, {"TL": "47,5"}, 1, 1),))
    assert apply_layout(sheet, layout_of(use=use, decimal=",")).rows[0].cells["length_mm"] == "475"
    assert apply_layout(sheet, layout_of(use=use)).rows[0].cells["length_mm"] == "47,5"


@pytest.mark.parametrize(
    ("cells", "kind", "word"),
    [
        ({"code": '""""'}, "ditto", 'repeated = ["code"]'),
        ({"length_mm": '"47,5"'}, "decimal comma", 'decimal = ","'),
        ({"length_mm": '"1,480"'}, "decimal comma", "Is it 1480"),
        ({"length_mm": '"1,480"'}, "decimal comma", "or 1.480"),
        ({"eventDate": "13/5/2031"}, "date order", "day first"),
        ({"eventDate": "5/13/2031"}, "date order", "month first"),
        ({"eventDate": "5/6/2031"}, "date order", 'dates = "day first" or dates = "month first"'),
        ({"eventDate": "2031-05-11", "taken_at": "5/13/2031 20:10"}, "date order", "month first"),
        ({"eventDate": "13/05/31"}, "date order", "four digits"),
    ],
)
def test_what_must_be_confirmed_says_how(tmp_path: Path, cells: dict[str, str], kind: str, word: str) -> None:
    empty = dict.fromkeys(("length_mm", "eventDate", "taken_at"), "")
    row = {"image": "images/1.jpg", "individual": "1", "code": "NSH", **empty, **cells}
    other = {**row, "image": "images/2.jpg", "individual": "2", "code": "NSH", "length_mm": ""}
    text = "\n".join(",".join(values) for values in (row, row.values(), other.values())) + "\n"
    found = [one for one in check_batch(write_crew_batch(tmp_path / "b", text)).unresolved if one.kind == kind]
    assert len(found) == 1
    assert word in str(found[0].proposal)


def test_a_workbook_with_titles_and_a_cover_sheet(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Quillmarsh survey"])
    data = book.create_sheet("Data")
    data.append(["Kettleback Weir, spring 2031"])
    data.append([])
    data.append(["Photo", "Fish #", "Spp", "TL (cm)"])
    data.append(["1.jpg", 1, "NSH", 48.2])
    book.save(tmp_path / "s.xlsx")
    sheet = read_sheet(tmp_path / "s.xlsx")
    assert sheet.headings == ("Photo", "Fish #", "Spp", "TL (cm)")
    assert sheet.titles == ("Kettleback Weir, spring 2031",)
    assert [(row.number, row.cells["TL (cm)"]) for row in sheet.rows] == [(4, "48.2")]


def test_units_of_every_column_convert_back() -> None:
    assert to_si(1, "lb", "weight_g") == pytest.approx(453.59237)  # international pound, 1959
    assert to_si(1, "in", "length_mm") == 25.4  # international yard, 1959
    assert to_si(212, "F", "waterTemperature_C") == 100
    for column in ("length_mm", "weight_g", "turbidity_NTU", "waterTemperature_C"):
        for unit in units_of(column):
            assert read_unit(unit, column) == unit
    assert read_unit("furlong", "length_mm") is None


@pytest.mark.parametrize(
    ("cell", "column", "unit", "becomes"),
    [  # international yard and pound (1959): 25.4 mm, 453.59237 g, 28.349523125 g
        ("2 lb 3 oz", "weight_g", "lb", 2 * 453.59237 + 3 * 28.349523125),
        ("2lbs, 3.5 oz.", "weight_g", "lb", 2 * 453.59237 + 3.5 * 28.349523125),
        ("1 ft 4 in", "length_mm", "in", 16 * 25.4),
        ("1' 4\"", "length_mm", "in", 16 * 25.4),
        ("1.5 kg", "weight_g", "lb", 1500.0),
    ],
)
def test_a_cell_in_parts_is_stored_as_si_and_kept_as_written(
    cell: str, column: str, unit: str, becomes: float
) -> None:
    sheet = Sheet(Path("s.csv"), ("size",), (SheetRow(2, {"size": cell}, 1, 1),))
    use = ColumnUse(heading="size", column=column, unit=unit)
    (row,) = apply_layout(sheet, Layout(headings=("size",), use=(use,), who="TBO")).rows
    assert float(row.cells[column]) == pytest.approx(becomes, rel=1e-9)
    assert row.cells["size"] == cell


@pytest.mark.parametrize("cell", ["3 oz 2 lb", "2 lb 3", "2 lb 3 in", "2.5 lb 3 oz", "lb", "2 lb 3 lb"])
def test_a_cell_in_parts_that_do_not_fit_is_left_for_a_person(cell: str) -> None:
    sheet = Sheet(Path("s.csv"), ("size",), (SheetRow(2, {"size": cell}, 1, 1),))
    use = ColumnUse(heading="size", column="weight_g", unit="lb")
    (row,) = apply_layout(sheet, Layout(headings=("size",), use=(use,), who="TBO")).rows
    assert row.cells["weight_g"] == cell


def test_a_cell_in_parts_under_one_of_our_headings_is_proposed_in_si(tmp_path: Path) -> None:
    rows = [{"image": "a.jpg", "individual": "1", "code": "NSH", "weight_g": "2 lb 3 oz"}]
    (found,) = (one for one in check_batch(write_batch(tmp_path / "b", rows)).findings if one.kind == "not a number")
    assert found.change is not None
    assert float(found.change.value) == pytest.approx(2 * 453.59237 + 3 * 28.349523125)  # pound and ounce of 1959
