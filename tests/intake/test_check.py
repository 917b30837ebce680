"""A whole batch folder: what is found, and that it is found all at once."""

from dataclasses import replace
from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import check_batch
from passage_cv.intake.event_checks import check_event_window
from passage_cv.intake.names import any_names
from passage_cv.intake.resolutions import LetStand, Resolutions, write_resolutions
from passage_cv.records import Change
from tests.batches import FACTS, ROWS, jpeg, write_batch


def kinds(batch: CheckedBatch) -> list[str]:
    return [finding.kind for finding in batch.findings]


def changed(i: int, **cells: str) -> list[dict[str, str]]:
    return [{**row, **cells} if at == i else dict(row) for at, row in enumerate(ROWS)]


def test_a_sound_batch_has_no_findings(tmp_path: Path) -> None:
    batch = check_batch(write_batch(tmp_path / "b"))
    assert batch.findings == ()
    assert [line.individual for line in batch.rows] == ["E1/1", "E1/1", "E1/2"]
    assert [(picture.width, picture.height, picture.kind) for picture in batch.images] == [(48, 32, "jpg")] * 3


def test_all_findings_come_at_once(tmp_path: Path) -> None:
    rows = changed(0, code="XYZ", length_mm="long")
    folder = write_batch(tmp_path / "b", rows, {k: v for k, v in FACTS.items() if k != "permit"})
    (folder / "images/2.jpg").unlink()
    (folder / "images/stray.jpg").write_bytes(jpeg("stray"))
    (folder / "images/3.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut short")
    found = kinds(check_batch(folder))
    assert sorted(found) == [
        "no collecting permit",
        "not a number",
        "picture not there",
        "picture without row",
        "unknown name",
        "unreadable picture",
    ]


@pytest.mark.parametrize(
    ("rows", "kind", "row"),
    [
        (changed(1, code="QQQ"), "unknown name", 3),
        (changed(1, code="BOW"), "two species", 3),
        (changed(2, image="images/1.jpg"), "two individuals", 4),
        (changed(1, image="images/1.jpg"), "named twice", 3),
        (changed(2, image=""), "row without picture", 4),
        (changed(2, individual=""), "no individual", 4),
        (changed(2, length_mm="4e"), "not a number", 4),
        (changed(2, length_type="KL"), "unknown word", 4),
        (changed(2, purpose="portrait"), "unknown word", 4),
        (changed(2, eventDate="11 May"), "event date", 4),
        (changed(2, eventDate="2031-05-11T20:00:00"), "event date without offset", 4),
        (changed(2, locationID="LTB-HOL-02"), "event with two values", 4),
        (changed(2, scientificName="Channa argus"), "name and code differ", 4),
        (changed(2, image="../elsewhere.jpg"), "picture outside the batch", 4),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_one_fault_is_found_at_its_row(tmp_path: Path, rows: list[dict[str, str]], kind: str, row: int) -> None:
    batch = check_batch(write_batch(tmp_path / "b", rows))
    assert (kind, row) in [(finding.kind, finding.row) for finding in batch.unresolved]


def test_a_second_sheet_is_never_passed_over_in_silence(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    for name in ("late.csv", "sheet part 2.xlsx"):
        (folder / name).write_bytes((folder / "sheet.csv").read_bytes())
    (folder / "checklist.csv").write_text("code,scientific_name\nNSH,Channa argus\nBOW,Amia calva\n")
    batch = check_batch(folder)
    assert [one.kind for one in batch.unresolved] == ["sheet not read"] * 2
    assert "late.csv is not read: the sheet of this batch is sheet.csv" in batch.unresolved[0].message
    write_resolutions(folder, Resolutions(let_stand=(LetStand(kind="sheet not read", why="a copy", who="RKV"),)))
    assert check_batch(folder).unresolved == ()


@pytest.mark.parametrize("name", ["eventID", "eventDate", "locationID", "permit", "animalCareProtocol"])
def test_a_missing_fact_must_be_resolved(tmp_path: Path, name: str) -> None:
    folder = write_batch(tmp_path / "b", facts={key: value for key, value in FACTS.items() if key != name})
    assert any(name in f"{finding.message} {finding.proposal}" for finding in check_batch(folder).unresolved)


def test_the_same_bytes_under_two_names_are_found(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "images/3.jpg").write_bytes((folder / "images/1.jpg").read_bytes())
    (finding,) = check_batch(folder).findings
    assert finding.kind == "same picture twice"
    assert "images/1.jpg and images/3.jpg" in finding.message


def test_a_bad_picture_can_be_left_out_by_name(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "images/2.jpg").write_bytes(b"nothing")
    assert len(check_batch(folder).unresolved) == 1
    batch = check_batch(folder, excluded={"images/2.jpg": "card fault"})
    assert batch.findings == ()
    assert [picture.name for picture in batch.images] == ["images/1.jpg", "images/3.jpg"]


def test_a_line_whose_pictures_are_all_left_out_asks_nothing(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b", changed(2, length_mm="long"))
    assert [finding.kind for finding in check_batch(folder).unresolved] == ["not a number"]
    assert check_batch(folder, excluded={"images/3.jpg": "no fish measured"}).findings == ()


def test_an_exclusion_needs_a_reason_and_a_picture(tmp_path: Path) -> None:
    batch = check_batch(write_batch(tmp_path / "b"), excluded={"images/2.jpg": " ", "images/9.jpg": "blurred"})
    assert kinds(batch) == ["excluded for no reason", "excluded in vain"]


def test_a_picture_far_from_its_event_is_shown(tmp_path: Path) -> None:
    rows = changed(2, taken_at="2031-05-12T09:30:00-04:00")
    (finding,) = check_batch(write_batch(tmp_path / "b", rows)).findings
    assert (finding.kind, finding.severity) == ("outside the event", "please look")
    assert "810 min" in finding.message  # 13 h 30 min after the set


@pytest.mark.parametrize("cell", ["05/11/2031 20:10", "yesterday"])
def test_a_picture_time_that_nobody_can_read_is_asked_about(tmp_path: Path, cell: str) -> None:
    found = check_batch(write_batch(tmp_path / "b", changed(2, taken_at=cell))).unresolved
    assert ("picture time", 4) in [(one.kind, one.row) for one in found]
    assert any(cell in one.message for one in found)


def test_where_a_cell_says_no_time_the_pictures_own_counts(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b", changed(2, taken_at="yesterday"))
    batch = check_batch(folder)
    late = replace(batch.images[2], taken_at="2031-05-12T09:30:00-04:00")
    found = check_event_window(replace(batch, images=(*batch.images[:2], late)))
    assert [one.kind for one in found] == ["outside the event"]


def told_of_days(folder: Path, event: str, *taken: str) -> list[tuple[str, str]]:
    rows = [{"image": f"{i}.jpg", "individual": str(i), "code": "NSH", "taken_at": at} for i, at in enumerate(taken)]
    found = check_batch(write_batch(folder, rows, {**FACTS, "eventDate": event})).findings
    return [(one.kind, one.severity) for one in found if one.kind in {"day of the event", "outside the event"}]


@pytest.mark.parametrize("event", ["2030-05-11", "2031-05-14T20:00:00-04:00", "2031-05-10T01:00:00-04:00"])
def test_a_wrong_day_of_the_event_is_asked_about_once(tmp_path: Path, event: str) -> None:
    evening = [f"2031-05-11T20:{30 + i}:00-04:00" for i in range(8)]
    assert told_of_days(tmp_path / "b", event, *evening) == [("day of the event", "must resolve")]
    stray = told_of_days(tmp_path / "c", event, *evening, f"{event[:10]}T01:30:00-04:00")
    assert stray == [("day of the event", "must resolve")]


def test_few_pictures_of_another_day_are_looked_at_one_by_one(tmp_path: Path) -> None:
    evening = [f"2031-05-11T20:{30 + i}:00-04:00" for i in range(8)]
    assert told_of_days(tmp_path / "b", NIGHT, *evening, "2029-01-01T00:02:00-04:00") == [
        ("outside the event", "please look")
    ]


NIGHT = "2031-05-11T20:00:00-04:00/2031-05-11T23:00:00-04:00"


def clock_findings(folder: Path, event: str, *taken: str, **facts: str) -> list[str]:
    rows = [{"image": f"{i}.jpg", "individual": str(i), "code": "NSH", "taken_at": at} for i, at in enumerate(taken)]
    batch = check_batch(write_batch(folder, rows, {**FACTS, "eventDate": event, **facts}))
    return [str(one.proposal) for one in batch.findings if one.kind == "camera clock"]


def test_a_camera_an_hour_off_is_asked_about_once(tmp_path: Path) -> None:
    early = [f"2031-05-11T19:{11 + i}:00" for i in range(11)]
    assert clock_findings(tmp_path / "a", NIGHT, *early) == ["The clock may be an hour off (summer time)"]
    late = [f"2031-05-11T23:{11 + i}:00-04:00" for i in range(11)]
    assert len(clock_findings(tmp_path / "b", NIGHT, *late)) == 1


def test_a_clock_that_shows_utc_is_asked_about(tmp_path: Path) -> None:
    utc = [f"2031-05-12T00:{11 + i}:00" for i in range(6)]
    (said,) = clock_findings(tmp_path / "a", NIGHT, *utc)
    assert "UTC" in said
    folder = write_crew_day(tmp_path / "b", utc)
    assert [one.row for one in check_batch(folder).findings if one.kind == "camera clock"] == [2]


def write_crew_day(folder: Path, taken: list[str]) -> Path:
    """An event given as a day; a second event of the batch says the site's offset."""
    rows = [
        {**row, "image": f"{i}.jpg", "individual": str(i), "taken_at": at}
        for row in [{"code": "NSH", "eventID": "E1", "eventDate": "2031-05-11"}]
        for i, at in enumerate(taken)
    ]
    other = {"image": "x.jpg", "individual": "9", "code": "NSH", "eventID": "E2", "eventDate": NIGHT, "taken_at": ""}
    return write_batch(folder, [*rows, other])


@pytest.mark.parametrize(
    "taken",
    [
        [f"2031-05-11T20:{11 + i}:00" for i in range(11)],  # inside
        [f"2031-05-11T19:{56 + i}:00" for i in range(4)],  # too few
        [f"2031-05-11T{19 if i < 7 else 20}:{30 + i}:00" for i in range(11)],  # not nearly all outside
        [f"2031-05-11T16:{11 + i}:00" for i in range(11)],  # no hour would do
        [f"2031-05-11T{19 + 4 * (i % 2)}:{11 + i}:00" for i in range(10)],  # no one shift would do
    ],
    ids=["inside", "few", "some", "far", "both sides"],
)
def test_a_clock_is_not_doubted_without_need(tmp_path: Path, taken: list[str]) -> None:
    assert clock_findings(tmp_path / "b", NIGHT, *taken) == []


@pytest.mark.parametrize(("count", "counted", "is_told"), [("12", 12, False), ("12.5", 13, True)])
def test_a_part_of_a_fish_is_told_and_counted_one_way(
    tmp_path: Path, count: str, counted: int, is_told: bool
) -> None:
    row = {"image": "", "individual": "", "code": "WPE", "individualCount": count}
    batch = check_batch(write_batch(tmp_path / "b", [*({**one, "individualCount": ""} for one in ROWS), row]))
    assert batch.rows[3].n_counted == counted
    found = [("no whole number of fish", "please look", 5)] if is_told else []
    assert [(one.kind, one.severity, one.row) for one in batch.findings] == found


def test_a_length_in_inches_and_parts_is_proposed_in_mm(tmp_path: Path) -> None:
    (finding,) = check_batch(write_batch(tmp_path / "b", changed(2, length_mm="18 1/2 in"))).findings
    assert finding.change == Change("length_mm", "469.9")  # 18.5 x 25.4, an inch is 25.4 mm by definition


def test_missing_columns_are_named_once(tmp_path: Path) -> None:
    rows = [{"image": row["image"], "fish": row["individual"], "kind": row["code"]} for row in ROWS]
    batch = check_batch(write_batch(tmp_path / "b", rows))
    assert kinds(batch).count("missing column") == 2
    renamed = check_batch(batch.folder, headings={"fish": "individual", "kind": "code"})
    assert renamed.findings == ()


def test_unknown_columns_are_kept(tmp_path: Path) -> None:
    batch = check_batch(write_batch(tmp_path / "b", changed(0, swam_off="yes")))
    assert batch.findings == ()
    assert batch.rows[0].cells["swam_off"] == "yes"


def test_unknown_facts_are_refused(tmp_path: Path) -> None:
    batch = check_batch(write_batch(tmp_path / "b", facts={**FACTS, "permitt": "1"}))
    assert kinds(batch) == ["unknown fact"]


def test_open_data_need_no_permit_and_no_date_and_may_have_any_name(tmp_path: Path) -> None:
    rows = [{"image": "1.png", "scientificName": "Scaridae", "sequence": "s1"}]
    folder = write_batch(tmp_path / "reef", rows, {})
    stated = {"source": "open data", "eventID": "reef", "locationID": "reef"}
    batch = check_batch(folder, names=any_names(), headings={"sequence": "organismID"}, facts=stated)
    assert batch.findings == ()
    assert batch.rows[0].individual == "s1"


def test_a_checklist_in_the_folder_widens_the_names(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b", changed(2, code="ZEB"))
    assert kinds(check_batch(folder)) == ["unknown name"]
    (folder / "checklist.csv").write_text("scientific_name,code\nDanio rerio,ZEB\n", encoding="utf-8")
    batch = check_batch(folder)
    assert batch.rows[2].species is not None
    assert batch.rows[2].species.scientific_name == "Danio rerio"
    (finding,) = batch.findings  # what the site never had is a question, not an error
    assert (finding.kind, finding.severity, finding.row) == ("not on the checklist", "please look", 2)


def test_a_slip_of_a_name_is_proposed(tmp_path: Path) -> None:
    (finding,) = check_batch(write_batch(tmp_path / "b", changed(2, code="BOX"))).findings
    assert finding.proposal == "Perhaps Amia calva (BOW)"


def test_several_images_of_a_line(tmp_path: Path) -> None:
    rows = [{"image": "images/1.jpg;images/2.jpg", "individual": "1", "code": "NSH"}]
    batch = check_batch(write_batch(tmp_path / "b", rows))
    assert batch.findings == ()
    assert batch.rows[0].images == ("images/1.jpg", "images/2.jpg")


def test_reduced_copies_live_as_long_as_the_batch(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    (folder / "images/1.jpg").write_bytes(jpeg("large", width=960, height=540))
    batch = check_batch(folder)
    workspace = batch.workspace
    assert workspace is not None
    assert [path.stem for path in workspace.iterdir()] == [batch.images[0].sha256]
    del batch
    assert not workspace.exists()


def test_checking_alone_makes_no_copies(tmp_path: Path) -> None:
    assert check_batch(write_batch(tmp_path / "b"), keep_working=False).workspace is None


def test_no_batch_is_an_error_that_says_where(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Batch folder is missing"):
        check_batch(tmp_path / "nothing")
    with pytest.raises(InputError, match="A batch needs one sheet, found none"):
        check_batch(tmp_path)


def test_a_path_with_a_null_byte_is_no_path(tmp_path: Path) -> None:
    folder = write_batch(tmp_path / "b")
    sheet = folder / "sheet.csv"
    sheet.write_bytes(sheet.read_bytes().replace(b"images/1.jpg", b"images/\0.jpg"))
    assert "picture outside the batch" in {one.kind for one in check_batch(folder, keep_working=False).unresolved}


@pytest.mark.parametrize(
    ("cell", "meant"), [("48O", "480"), ("5o1", "501"), ("47l", "471"), ("48 5", ""), ("lol", ""), ("4e", "")]
)
def test_letters_that_look_like_digits_are_proposed_as_such(tmp_path: Path, cell: str, meant: str) -> None:
    (finding,) = check_batch(write_batch(tmp_path / "b", changed(2, length_mm=cell))).findings
    assert finding.change == (Change("length_mm", meant) if meant else None)
    assert finding.proposal == (f"Perhaps {meant}" if meant else None)
