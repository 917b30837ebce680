"""Names of pictures that no file has: one question each, with a proposal where something can be meant."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from passage_cv.intake.check import check_batch
from passage_cv.intake.resolutions import Correction, Resolutions, write_resolutions
from passage_cv.records import Finding
from tests.batches import FACTS, jpeg, write_batch

FILES = ("IMG_1.jpg", "IMG_2.jpg", "IMG_3.jpg", "IMG_4.jpg")


def batch(folder: Path, *cells: str) -> Path:
    """A line for each cell; four pictures in all, whatever the lines call them."""
    head = "image,individual,code,length_mm,length_type\n"
    folder.mkdir()
    text = "".join(f'"{cell}",{i},NSH,480,TL\n' for i, cell in enumerate(cells, start=1))
    (folder / "sheet.csv").write_text(head + text)
    (folder / "trip.toml").write_text("".join(f'{name} = "{value}"\n' for name, value in FACTS.items()))
    for name in FILES:
        (folder / name).write_bytes(jpeg(name))
    return folder


def found(folder: Path) -> Sequence[Finding]:
    return check_batch(folder).findings


@pytest.mark.parametrize("between", [", ", ",", " ", " | ", "+"])
def test_a_list_with_another_sign_is_one_question_a_line(tmp_path: Path, between: str) -> None:
    folder = batch(tmp_path / "b", f"IMG_1.jpg{between}IMG_2.jpg", f"IMG_3.jpg{between}IMG_4.jpg")
    findings = found(folder)
    assert [(one.kind, one.severity, one.row) for one in findings] == [
        ("pictures in one name", "must resolve", 2),
        ("pictures in one name", "must resolve", 3),
    ]
    changes = [one.change for one in findings]
    assert [one.value for one in changes if one] == ["IMG_1.jpg; IMG_2.jpg", "IMG_3.jpg; IMG_4.jpg"]


def test_the_proposals_mend_the_batch(tmp_path: Path) -> None:
    cells = ("IMG_1.jpg, IMG_2.jpg", "img_3", "IMG_4.JPG")
    folder = batch(tmp_path / "b", *cells)
    correct = tuple(
        Correction(row=one.row or 0, column="image", was=cell, becomes=one.change.value, why=one.kind, who="RKV")
        for cell, one in zip(cells, found(folder), strict=True)
        if one.change
    )
    assert len(correct) == 3
    write_resolutions(folder, Resolutions(correct=correct))
    mended = check_batch(folder)
    assert mended.unresolved == ()
    assert [line.images for line in mended.rows] == [("IMG_1.jpg", "IMG_2.jpg"), ("IMG_3.jpg",), ("IMG_4.jpg",)]


def test_a_picture_that_never_came_is_no_broken_picture(tmp_path: Path) -> None:
    findings = found(batch(tmp_path / "b", "IMG_1.jpg", "IMG_2.jpg", "IMG_3.jpg", "IMG_4.jpg", "IMG_5.jpg"))
    (finding,) = findings
    assert (finding.kind, finding.severity, finding.change) == ("picture not there", "must resolve", None)
    assert finding.message == "Row 6 names IMG_5.jpg, which did not come with the batch"
    assert "Send it, correct the name" in str(finding.proposal)


def test_a_name_that_may_mean_two_pictures_proposes_none(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b", [{"image": "images/9.jpg", "individual": "1", "code": "NSH"}])
    (folder / "images/9.jpg").unlink()
    for place in ("a", "b"):
        (folder / place).mkdir()
        (folder / place / "9.jpg").write_bytes(jpeg(place))
    kinds = [one.kind for one in found(folder)]
    assert kinds.count("picture without row") == 2
    assert [one.change for one in found(folder) if one.kind == "picture not there"] == [None]


def test_a_real_file_with_a_comma_in_its_name_is_that_file(tmp_path: Path) -> None:
    folder = batch(tmp_path / "b", "IMG_1.jpg", "IMG_2.jpg", "IMG_3.jpg", "IMG_4.jpg", "a, b.jpg")
    (folder / "a, b.jpg").write_bytes(jpeg("a, b"))
    assert found(folder) == ()
