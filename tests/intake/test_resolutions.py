"""Decisions of people: applied by name, kept with who and why, never stretched."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.config import parse_settings
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.intake.resolutions import (
    Correction,
    Exclusion,
    LetStand,
    Resolutions,
    draft_resolutions,
    read_resolutions,
    write_resolutions,
)
from tests.batches import ROWS, write_batch

HEAVY = [{**row, "weight_g": "9000"} if i == 2 else dict(row) for i, row in enumerate(ROWS)]


def light(weight: str) -> list[dict[str, str]]:
    """Two pictures of a snakehead of 480 mm, whose standard weight is 1032 g."""
    return [{**row, "weight_g": weight} for row in ROWS[:2]]


def test_a_finding_can_be_let_stand_with_who_and_why(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b", light("300"))
    (finding,) = check_batch(folder).unresolved
    stand = LetStand(kind=finding.kind, row=finding.row, why="spent and starved, read twice", who="ELQ")
    write_resolutions(folder, Resolutions(let_stand=(stand,)))
    batch = check_batch(folder)
    assert batch.unresolved == ()
    assert batch.resolved == ((finding, stand),)
    assert finding in batch.findings  # it is still told


@pytest.mark.parametrize("change", [{"row": 3}, {"kind": "mark"}, {"image": "images/2.jpg"}])
def test_a_decision_is_about_one_finding_only(tmp_path: Path, change: dict[str, object]) -> None:
    folder = write_batch(tmp_path / "b", light("300"))
    (finding,) = check_batch(folder).unresolved
    stand = {"kind": finding.kind, "row": finding.row, "why": "looked", "who": "ELQ", **change}
    write_resolutions(folder, Resolutions(let_stand=(LetStand.model_validate(stand),)))
    batch = check_batch(folder)
    assert [one.kind for one in batch.unresolved] == ["weight for length"]
    assert "decision in vain" in [one.kind for one in batch.findings]


@pytest.mark.parametrize("mark", [{"who": "?"}, {"why": "?"}, {"why": " ?? "}, {"who": " "}])
def test_a_drafts_question_marks_sign_nothing(tmp_path: Path, mark: dict[str, str]) -> None:
    folder = write_batch(tmp_path / "b", light("300"))
    (finding,) = check_batch(folder).unresolved
    draft = draft_resolutions([finding])
    blocks = draft[draft.index("# [[let_stand]]") :].replace("# ", "")
    (folder / "resolutions.toml").write_text(f"format = 1\n{blocks}", encoding="utf-8")
    with pytest.raises(InputError, match="who"):
        check_batch(folder)
    signed = {"who": "TBO", "why": "looked", "row": 2, "column": "sex", "was": "", "becomes": "F", **mark}
    with pytest.raises(ValueError, match="string_pattern_mismatch"):
        Correction.model_validate(signed)


def test_what_would_leave_rows_without_meaning_cannot_stand(tmp_path: Path) -> None:
    rows = [{**row, "code": "XYZ"} if i == 2 else row for i, row in enumerate(ROWS)]
    folder = write_batch(tmp_path / "b", rows)
    stand = LetStand(kind="unknown name", row=4, why="a nice fish", who="TBO")
    write_resolutions(folder, Resolutions(let_stand=(stand,)))
    assert [one.kind for one in check_batch(folder).unresolved] == ["unknown name", "cannot stand"]


def test_a_cell_is_corrected_from_what_it_was(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b", light("10.32"))
    corrections = tuple(
        Correction(row=row, column="weight_g", was="10.32", becomes="1032", why="two digits lost", who="TBO")
        for row in (2, 3)
    )
    write_resolutions(folder, Resolutions(correct=corrections))
    batch = check_batch(folder)
    assert batch.findings == ()
    assert batch.rows[0].numbers["weight_g"] == 1032
    write_batch(folder, light("99"))
    kinds = [one.kind for one in check_batch(folder).unresolved]
    assert kinds.count("correction without its cell") == 2


def disputed(folder: Path, decided: Resolutions, **cells: str) -> list[tuple[str, str]]:
    """What is told of a bowfin in row 4, once something was decided about it."""
    named = {"scientificName": "", "identifiedBy": "", "recordedBy": "RKV"}
    rows = [{**named, **row, **(cells if i == 2 else {})} for i, row in enumerate(ROWS)]
    write_resolutions(write_batch(folder, rows), decided)
    return [(one.kind, one.severity) for one in check_batch(folder).findings if one.row == 4]


@pytest.mark.parametrize(("who", "is_refused"), [("rkv", True), ("TBO", True), ("ELQ", False)])
def test_name_against_code_is_decided_by_somebody_else(tmp_path: Path, who: str, is_refused: bool) -> None:
    cells = {"scientificName": "Channa argus", "identifiedBy": "TBO"}
    stand = LetStand(kind="name and code differ", row=4, why="looked again", who=who)
    found = disputed(tmp_path / "a", Resolutions(let_stand=(stand,)), **cells)
    assert (("decided by its own reader", "must resolve") in found) is is_refused
    one = Correction(row=4, column="code", was="BOW", becomes="NSH", why="scales on the head", who=who)
    found = disputed(tmp_path / "b", Resolutions(correct=(one,)), **cells)
    assert (("decided by its own reader", "must resolve") in found) is is_refused
    assert ("disputed species", "please look") in found


@pytest.mark.parametrize(("was", "becomes", "is_told"), [("BOW", "NSH", True), ("BWO", "BOW", False)])
def test_a_fish_called_two_species_is_for_a_second_reader(
    tmp_path: Path, was: str, becomes: str, is_told: bool
) -> None:
    one = Correction(row=4, column="code", was=was, becomes=becomes, why="from the voucher", who="RKV")
    found = disputed(tmp_path / "b", Resolutions(correct=(one,)), code=was)
    assert found == ([("disputed species", "please look")] if is_told else [])


def test_a_correction_can_fill_a_column_the_sheet_lacks(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    one = Correction(row=2, column="sex", was="", becomes="F", why="from the notebook", who="TBO")
    write_resolutions(folder, Resolutions(correct=(one,)))
    batch = check_batch(folder)
    assert batch.findings == ()
    assert batch.rows[0].text["sex"] == "F"


def test_an_exclusion_is_applied(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "images/2.jpg").write_bytes(b"broken")
    write_resolutions(folder, Resolutions(exclude=(Exclusion(image="images/2.jpg", why="card fault", who="TBO"),)))
    batch = check_batch(folder)
    assert batch.findings == ()
    assert batch.excluded == {"images/2.jpg": "card fault"}


def test_who_and_why_are_needed(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "resolutions.toml").write_text('format = 1\n[[exclude]]\nimage = "a"\nwhy = " "\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"exclude.0.why.*exclude.0.who"):
        check_batch(folder)


words = st.text(min_size=1, max_size=30).filter(lambda text: text.strip(" ?") and text.strip() and "\r" not in text)


@given(st.lists(st.tuples(words, words, words), max_size=4))
def test_decisions_are_read_as_they_were_written(
    tmp_path_factory: pytest.TempPathFactory, entries: list[tuple[str, str, str]]
) -> None:
    folder = tmp_path_factory.mktemp("r")
    decided = Resolutions(
        exclude=tuple(Exclusion(image=image, why=why, who=who) for image, why, who in entries),
        correct=tuple(Correction(row=5, column=a, was=b, becomes=c, why=a, who=b) for a, b, c in entries),
    )
    write_resolutions(folder, decided)
    assert read_resolutions(folder) == decided


def test_a_draft_is_valid_and_decides_nothing(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b", HEAVY)
    (folder / "images/1.jpg").unlink()
    findings = check_batch(folder).findings
    draft = draft_resolutions(findings)
    assert parse_settings(tomllib.loads(draft), Resolutions, where="draft") == Resolutions()
    for finding in findings:
        assert finding.message in draft
    switched_on = "\n".join(
        line.removeprefix("# ")
        for line in draft.splitlines()
        if line.startswith(("# [[", "# image", "# why", "# who"))
    )
    assert "[[exclude]]" in switched_on
    assert 'image = "images/1.jpg"' in switched_on
