"""Lengths and weights: each typical slip is doubted, with the slip named; sound fish are left alone."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import read_batch
from passage_cv.intake.condition import standard_weight_g, standard_weights
from passage_cv.intake.kind_checks import check_fork_lengths, check_outliers, check_small_beside_large
from passage_cv.intake.lines import build_lines
from passage_cv.intake.measure_checks import (
    check_largest,
    check_length_types,
    check_ranges,
    check_weights,
    check_zero_water,
    digit_swaps,
)
from passage_cv.intake.names import shipped_names
from passage_cv.intake.resolutions import CAN_STAND
from passage_cv.intake.sheet import Sheet, SheetRow
from passage_cv.records import Change, Finding


def batch_of(*fish: dict[str, str]) -> CheckedBatch:
    """A batch of lines without pictures."""
    rows = tuple(
        SheetRow(number, {"individual": str(number), "eventID": "E1", **cells}, 1, 1)
        for number, cells in enumerate(fish, start=2)
    )
    sheet = Sheet(Path("sheet.csv"), ("individual",), rows)
    lines = build_lines(sheet, {}, shipped_names())
    return CheckedBatch(Path("b"), Path("sheet.csv"), "", sheet.headings, {}, lines, ())


def fish(code: str, length: float, weight: float, kind: str = "TL") -> dict[str, str]:
    return {"code": code, "length_mm": f"{length:g}", "weight_g": f"{weight:g}", "length_type": kind}


def only(findings: list[Finding]) -> Finding:
    assert len(findings) == 1, findings
    return findings[0]


@given(
    name=st.sampled_from(sorted(standard_weights())),
    length=st.integers(200, 900),
    wr=st.floats(61, 139),
)
def test_a_fish_in_the_fine_band_is_left_alone(name: str, length: int, wr: float) -> None:
    weight = (standard_weight_g(name, length) or 0) * wr / 100
    lines = {"scientificName": name, "length_mm": str(length), "weight_g": f"{weight}", "length_type": "TL"}
    assert check_weights(batch_of(lines)) == []


@pytest.mark.parametrize(
    ("wr", "severity"), [(59, "please look"), (41, "please look"), (39, "must resolve"), (201, "must resolve")]
)
def test_the_bands_of_relative_weight(wr: float, severity: str) -> None:
    weight = (standard_weight_g("Channa argus", 475) or 0) * wr / 100
    finding = only(check_weights(batch_of(fish("NSH", 475, round(weight, 1)))))
    assert finding.severity == severity
    assert f"{wr} % of standard weight" in finding.message


@pytest.mark.parametrize(
    ("length", "weight", "slip"),
    [
        (1120, 475, "length and weight are swapped"),
        (47.5, 1120, "the length is in cm"),
        (18.7, 1120, "the length is in inches"),
        (475, 1.12, "the weight is in kg"),
        (475, 2.47, "the weight is in pounds"),
        (475, 39.5, "the weight is in ounces"),
        (18.7, 2.47, "the length is in inches and the weight in pounds"),
        (475, 112, "the weight lacks a digit"),
        (475, 11200, "the weight has a digit too many"),
    ],
)
def test_slips_are_named(length: float, weight: float, slip: str) -> None:
    finding = only(check_weights(batch_of(fish("NSH", length, weight))))
    assert finding.severity == "must resolve"
    assert finding.proposal is not None
    assert slip in finding.proposal


def test_swapped_digits_are_named_where_no_unit_explains() -> None:
    # A white perch of 253 mm and 260 g (Wr 100) whose length was written 523.
    finding = only(check_weights(batch_of(fish("WPE", 523, 260))))
    assert finding.proposal is not None
    assert "the length is 253 (two digits swapped)" in finding.proposal


def test_a_code_that_another_fish_of_the_batch_explains() -> None:
    # 450 g at 300 mm: 197 % for a channel catfish (Ws 229 g), 124 % for a white one (Ws 362 g).
    finding = only(check_weights(batch_of(fish("CCF", 300, 450), fish("WCF", 350, 611))))
    assert "it is WCF, white catfish" in str(finding.proposal)
    alone = only(check_weights(batch_of(fish("CCF", 300, 450))))
    assert "WCF" not in str(alone.proposal)  # no white catfish in the batch, so nobody would have written it


def test_a_species_without_equation_is_doubted_only_when_wildly_wrong() -> None:
    assert check_weights(batch_of(fish("EEL", 600, 380))) == []
    finding = only(check_weights(batch_of(fish("EEL", 60, 380))))
    assert "rough weight of its shape (eel-like)" in finding.message
    assert "the length is in cm" in str(finding.proposal)


def test_one_fish_with_several_pictures_is_doubted_once() -> None:
    line = {**fish("NSH", 47.5, 1120), "individual": "1"}
    only(check_weights(batch_of(line, line, line)))


def test_an_outlier_among_its_own_kind() -> None:
    kind = [fish("AMS", 400 + 5 * i, 700 * ((400 + 5 * i) / 400) ** 3 * (0.97 + 0.004 * i), "FL") for i in range(15)]
    assert check_outliers(batch_of(*kind)) == []
    odd = fish("AMS", 450, 1700, "FL")  # 1.7 times the weight of the others: less than wildly wrong
    finding = only(check_outliers(batch_of(*kind, odd)))
    assert finding.row == 17
    assert check_outliers(batch_of(*kind[:5], odd)) == []  # too few to say


def shad(n: int) -> list[dict[str, str]]:
    """Fish of one kind that scatter by a few percent about one line."""
    return [
        fish("AMS", 400 + 5 * i, 700 * ((400 + 5 * i) / 400) ** 2.7 * (0.95 + 0.02 * (i % 6)), "FL") for i in range(n)
    ]


def test_a_total_length_in_the_fork_column_is_doubted() -> None:
    assert check_fork_lengths(batch_of(*shad(15))) == []
    odd = fish("AMS", round(440 / 0.88), 700 * (440 / 400) ** 2.7, "FL")
    finding = only(check_fork_lengths(batch_of(*shad(15), odd)))
    assert (finding.row, finding.severity, finding.change) == (17, "please look", Change("length_mm", "440"))
    light = fish("AMS", 440, 0.4 * 700 * (440 / 400) ** 2.7, "FL")  # lean beyond what the slip explains
    assert check_fork_lengths(batch_of(*shad(15), light)) == []


def test_swapped_digits_among_its_own_kind() -> None:
    odd = fish("AMS", 540, 700 * (450 / 400) ** 2.7, "FL")
    finding = only(check_outliers(batch_of(*shad(15), odd)))
    assert finding.change == Change("length_mm", "450")


@pytest.mark.parametrize(
    ("by_length", "by_weight", "slip"),
    [(0.1, 1, "the length is in cm"), (1, 0.001, "the weight is in kg"), (1 / 25.4, 1, "the length is in inches")],
)
def test_a_slip_of_the_whole_sheet_is_said_once_and_first(by_length: float, by_weight: float, slip: str) -> None:
    sizes = [(mm, standard_weight_g("Channa argus", mm) or 0) for mm in range(300, 600, 25)]
    batch = batch_of(*(fish("NSH", mm * by_length, round(grams * by_weight, 3)) for mm, grams in sizes))
    first, *rest = check_weights(batch)
    assert (first.kind, first.severity) == ("whole column", "must resolve")
    assert f"12 of 12 fish would fit if {slip}" in first.message
    assert {(one.kind, one.severity) for one in rest} == {("weight for length", "please look")}
    assert len(rest) == 12  # each row is still shown; resolving the column resolves them
    assert not [
        one for one in check_weights(batch_of(*(fish("NSH", *one) for one in sizes))) if one.kind == "whole column"
    ]


def test_rows_that_the_whole_column_does_not_explain_must_be_resolved_themselves() -> None:
    swapped = [fish("NSH", standard_weight_g("Channa argus", mm) or 0, mm) for mm in range(450, 690, 20)]
    odd = fish("NSH", 500, 10)  # a hundredth of its weight: no swap explains it
    first, *rest = check_weights(batch_of(*swapped, odd))
    assert first.message.startswith("12 of 13 fish would fit if length and weight are swapped")
    assert first.message.endswith("(first in row 2)")
    assert [one.row for one in rest if one.severity == "must resolve"] == [len(swapped) + 2]
    assert "whole column" not in CAN_STAND  # else rows that stood down could get in with it


def test_a_sheet_with_swapped_columns_is_read_right_by_a_layout(tmp_path: Path) -> None:
    rows = "".join(f"{i}.jpg,{i},NSH,{1120 + i},47{i},TL\n" for i in range(1, 8))
    (tmp_path / "sheet.csv").write_text("image,individual,code,length_mm,weight_g,length_type\n" + rows)
    assert any(one.kind == "whole column" for one in check_weights(read_batch(tmp_path)))
    use = "".join(
        f'[[use]]\nheading = "{heading}"\ncolumn = "{column}"\nunit = "{unit}"\n'
        for heading, column, unit in (("length_mm", "weight_g", "g"), ("weight_g", "length_mm", "mm"))
    )
    headings = '["image", "individual", "code", "length_mm", "weight_g", "length_type"]'
    (tmp_path / "layout.toml").write_text(f'format = 1\nwho = "TBO"\nheadings = {headings}\n{use}')
    batch = read_batch(tmp_path)
    assert check_weights(batch) == []
    assert (batch.rows[0].numbers["length_mm"], batch.rows[0].numbers["weight_g"]) == (471, 1121)


@pytest.mark.parametrize(
    ("cells", "change"),
    [
        (fish("NSH", 47.5, 1120), Change("length_mm", "475")),
        (fish("NSH", 475, 2.47), Change("weight_g", "1120.4")),
        (fish("NSH", 475, 1.12), None),  # kg, or a digit too many in the length
        (fish("NSH", 1120, 475), None),  # a swap takes two cells
    ],
)
def test_a_slip_of_one_cell_is_a_change_that_one_key_applies(cells: dict[str, str], change: Change | None) -> None:
    assert only(check_weights(batch_of(cells))).change == change


@pytest.mark.parametrize(
    ("cells", "kind", "proposal"),
    [
        ({"length_mm": "0"}, "zero as unknown", "Leave the cell empty"),
        ({"weight_g": "0"}, "zero as unknown", "Leave the cell empty"),
        ({"length_mm": "-12"}, "out of range", "between 1 and 5000"),
        ({"waterTemperature_C": "58"}, "out of range", "58 degrees Fahrenheit, which is 14.4"),
        ({"turbidity_NTU": "-1"}, "out of range", "between 0 and 4000"),
    ],
)
def test_impossible_numbers(cells: dict[str, str], kind: str, proposal: str) -> None:
    finding = only(check_ranges(batch_of({"code": "NSH", **cells})))
    assert (finding.kind, finding.severity, finding.row) == (kind, "must resolve", 2)
    assert proposal in str(finding.proposal)
    assert check_ranges(batch_of({"code": "NSH", "waterTemperature_C": "0"})) == []  # ice water


def test_a_fork_length_above_the_total_length() -> None:
    lines = [
        {**fish("AMS", 480, 1000, kind), "individual": "1", "length_mm": mm}
        for kind, mm in (("TL", "430"), ("FL", "480"))
    ]
    finding = only(check_length_types(batch_of(*lines)))
    assert finding.kind == "FL above TL"
    assert "FL 480 mm (row 3) is more than TL 430 mm (row 2)" in finding.message


def test_lengths_must_say_which() -> None:
    finding = only(
        check_length_types(batch_of({"code": "NSH", "length_mm": "480"}, {"code": "NSH", "length_mm": "500"}))
    )
    assert "2 lines give a length and not which" in finding.message


def test_longer_than_any_on_record() -> None:
    assert only(check_largest(batch_of({"code": "WCF", "length_mm": "720"}))).severity == "please look"
    assert check_largest(batch_of({"code": "WCF", "length_mm": "620"})) == []


@given(st.integers(1, 99999))
def test_digit_swaps_keep_the_digits(value: int) -> None:
    for other in digit_swaps(value):
        assert sorted(f"{other:g}") == sorted(str(value))
        assert value in digit_swaps(other)


@pytest.mark.parametrize("column", ["waterTemperature_C", "turbidity_NTU"])
def test_water_of_exactly_zero_is_asked_about_once_per_event(column: str) -> None:
    rows = [{column: "0"}, {column: "0.0"}, {column: "0", "eventID": "E2"}, {column: "0.4"}, {column: ""}]
    found = check_zero_water(batch_of(*rows))
    assert [(one.kind, one.severity, one.row) for one in found] == [
        ("zero or not measured", "please look", 2),
        ("zero or not measured", "please look", 4),
    ]
    assert check_ranges(batch_of(*rows)) == []


def lengths(*values: float, **cells: str) -> list[Finding]:
    rows = [{"code": "NSH", "length_mm": f"{one:g}", "length_type": "TL", **cells} for one in values]
    return check_small_beside_large(batch_of(*rows))


def test_a_length_in_cm_beside_others_in_mm_is_asked_about() -> None:
    found = only(lengths(480, 48, 510))
    assert (found.severity, found.row, found.change) == ("please look", 3, Change("length_mm", "480"))


@pytest.mark.parametrize(
    "values",
    [(480, 48), (480, 510, 48, 52), (480, 510, 20), (480, 510, 120), (480, 510, 470)],
    ids=["too few", "young fish", "fits neither", "no gap", "sound"],
)
def test_small_fish_are_left_alone(values: tuple[float, ...]) -> None:
    assert lengths(*values) == []


def test_a_small_fish_with_a_weight_is_for_its_weight_to_tell() -> None:
    assert lengths(480, 48, 510, weight_g="1") == []
