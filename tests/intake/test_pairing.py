"""Pictures meet lines: by folder, slate, time or order; and what a person corrects."""

from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from hypothesis import given
from hypothesis import strategies as st

from passage_cv.errors import InputError
from passage_cv.files import read_json, write_json
from passage_cv.intake.check import check_batch, read_batch
from passage_cv.intake.codes import draw_marker, find_markers, slate_number
from passage_cv.intake.pairing import offset_from_clock, propose_pairing
from passage_cv.intake.pairing_edits import (
    assign_row,
    join_series,
    move_break,
    set_aside,
    set_clock_offset,
    set_slate,
    shift_series,
    split_series,
    take_back,
)
from passage_cv.intake.pairing_file import read_pairing, write_pairing
from passage_cv.intake.pairing_match import match_shots, natural_key
from passage_cv.intake.pairing_proposal import propose_match
from passage_cv.intake.resolutions import LetStand, Resolutions, write_resolutions
from passage_cv.intake.timeline import PairLine, Shot, Timeline, read_timeline, require_whole
from tests.batches import FACTS, jpeg, picture

START = datetime.fromisoformat("2031-05-11T20:00:00")


def lines(n: int, times: list[str] | None = None) -> list[PairLine]:
    return [
        PairLine(i + 2, f"E1/{i + 1}", "E1", str(i + 1), "bowfin", times[i] if times else "2031-05-11T20:00:00-04:00")
        for i in range(n)
    ]


def shots(*seconds: float, camera: str = "A") -> list[Shot]:
    """Pictures named in order, made so many seconds after eight."""
    return [
        Shot(f"IMG_{i}.jpg", (START + timedelta(seconds=s)).isoformat(), camera)
        for i, s in enumerate(seconds, start=1)
    ]


def pairs(timeline: Timeline) -> list[tuple[int | None, str]]:
    """Row and the numbers of its pictures, in order of series."""
    return [(one.row, " ".join(name[4:-4] for name in one.images)) for one in timeline.series]


THREE = shots(0, 4, 60, 63, 130)
"""Two, two and one picture, a minute apart."""


def three() -> Timeline:
    return match_shots(lines(3), THREE, {})


def test_pauses_part_one_fish_from_the_next() -> None:
    timeline = three()
    assert pairs(timeline) == [(2, "1 2"), (3, "3 4"), (4, "5")]
    assert timeline.method == "order"
    assert min(one.sure for one in timeline.series) >= 0.9
    assert timeline.notes == ()


def test_a_missing_series_is_said_and_makes_the_rest_unsure() -> None:
    timeline = match_shots(lines(4), THREE, {})
    assert pairs(timeline) == [(2, "1 2"), (3, "3 4"), (4, "5")]
    assert timeline.empty_rows == (5,)
    assert max(one.sure for one in timeline.series) <= 0.4
    assert "1 of 4 lines have no pictures" in timeline.notes[0]


def test_a_series_too_many_is_for_no_line() -> None:
    timeline = match_shots(lines(2), THREE, {})
    assert pairs(timeline) == [(2, "1 2"), (3, "3 4"), (None, "5")]
    assert any("for no line" in note for note in timeline.notes)


def test_without_times_pictures_stand_in_the_order_in_which_cameras_count() -> None:
    bare = [Shot(f"IMG_{i}.jpg") for i in (10, 9, 8, 11)]
    timeline = match_shots(lines(2), bare, {})
    assert pairs(timeline) == [(2, "8 9"), (3, "10 11")]
    assert timeline.notes == ("4 of 4 pictures carry no time; all stand in order of their names",)
    assert max(one.sure for one in timeline.series) <= 0.5
    assert sorted(["a10", "a9"], key=natural_key) == ["a9", "a10"]


def test_folders_of_single_fish_decide_and_name_their_event() -> None:
    two_events = [
        PairLine(2, "E1/1", "E1", "1", "bowfin"),
        PairLine(3, "E2/1", "E2", "1", "bowfin"),
        PairLine(4, "900100000000001", "E2", "900100000000001", "shad"),
    ]
    inside = [Shot(name) for name in ("E2/fish 01/b.jpg", "E1/1/a.jpg", "900100000000001/c.jpg", "E2/fish 01/a.jpg")]
    timeline = match_shots(two_events, inside, {})
    assert timeline.method == "folder"
    assert [(one.row, one.images) for one in timeline.series] == [
        (2, ("E1/1/a.jpg",)),
        (3, ("E2/fish 01/a.jpg", "E2/fish 01/b.jpg")),
        (4, ("900100000000001/c.jpg",)),
    ]
    require_whole(timeline)


def test_a_folder_that_could_be_two_fish_is_for_no_line() -> None:
    two_events = [
        PairLine(2, "E1/1", "E1", "1", ""),
        *(PairLine(i, f"E2/{i}", "E2", str(i), "") for i in range(2, 9)),
    ]
    two_events.append(PairLine(9, "E2/1", "E2", "1", ""))
    inside = [Shot("1/a.jpg"), *(Shot(f"{i}/a.jpg") for i in range(2, 9))]
    timeline = match_shots(two_events, inside, {})
    assert timeline.method == "folder"
    assert [one.row for one in timeline.series if one.images == ("1/a.jpg",)] == [None]


def slated(*numbers: str) -> list[Shot]:
    """Pictures a second apart: a number is a slate of that fish, "" a picture of a fish."""
    return [
        Shot(
            one.image,
            one.taken_at,
            "A",
            slate=number,
            aside=f"slate {number}" if number else "",
            purpose="slate" * bool(number),
        )
        for one, number in zip(shots(*range(len(numbers))), numbers, strict=True)
    ]


def test_slates_begin_the_pictures_of_their_fish() -> None:
    timeline = match_shots(lines(3), slated("", "1", "", "", "3", "", "2", ""), {})
    assert timeline.method == "slate"
    assert pairs(timeline) == [(None, "1"), (2, "3 4"), (4, "6"), (3, "8")]
    assert any("after one of a later fish" in note for note in timeline.notes)


def test_slates_of_every_third_fish_anchor_those_between() -> None:
    made = shots(0, 5, 60, 120, 123, 400, 405, 460)
    made[0] = Shot(made[0].image, made[0].taken_at, "A", slate="1", aside="slate", purpose="slate")
    made[5] = Shot(made[5].image, made[5].taken_at, "A", slate="4", aside="slate", purpose="slate")
    timeline = match_shots(lines(5), made, {})
    assert pairs(timeline) == [(2, "2"), (3, "3"), (4, "4 5"), (5, "7"), (6, "8")]


def test_a_slate_of_no_line_takes_no_line() -> None:
    timeline = match_shots(lines(2), slated("1", "", "7", "", "2", ""), {})
    assert pairs(timeline) == [(2, "2"), (None, "4"), (3, "6")]
    assert any("fish 7, which no line has" in note for note in timeline.notes)


def test_times_of_lines_and_a_clock_an_hour_slow() -> None:
    clock = [f"2031-05-11T{20 + i // 2}:{30 * (i % 2):02d}:00-04:00" for i in range(4)]
    made = shots(*(1800 * i + s - 3600 for i in range(4) for s in (5, 9)))
    known = match_shots(lines(4, clock), made, {"A": 3600.0})
    assert known.method == "time"
    assert pairs(known) == [(2, "1 2"), (3, "3 4"), (4, "5 6"), (5, "7 8")]
    wrong = match_shots(lines(4, clock), made, {})
    assert pairs(wrong) != pairs(known)
    assert pairs(set_clock_offset(wrong, "A", 3600)) == pairs(known)
    assert pairs(set_clock_offset(known, "A", 0)) == pairs(wrong)


def test_a_clock_far_off_is_doubted() -> None:
    timeline = propose_match(lines(3), shots(*(86400 + s for s in (0, 60, 130))), {})
    assert any("1441 min later" in one.said for one in timeline.clock_doubts)


def test_a_night_runs_over_midnight() -> None:
    days = ["2031-05-11", "2031-05-11", "2031-05-12", "2031-05-12"]
    evening = [timedelta(hours=h) + START - START for h in (1, 5, 24, 28)]  # 21:00, 01:00, then the next night
    timeline = match_shots(lines(4, days), shots(*(t.total_seconds() for t in evening)), {})
    assert pairs(timeline) == [(2, "1"), (3, "2"), (4, "3"), (5, "4")]


def test_the_offset_of_a_photographed_clock() -> None:
    shot = Shot("clock.jpg", "2031-05-11T20:00:10")
    assert offset_from_clock("2031-05-11T19:58:00", shot) == -130
    with pytest.raises(InputError, match="is no time"):
        offset_from_clock("about eight", shot)
    with pytest.raises(InputError, match="carries no time"):
        offset_from_clock("2031-05-11T19:58:00", Shot("clock.jpg"))


def test_a_break_moves_and_neither_side_is_emptied() -> None:
    assert pairs(move_break(three(), 1, 1)) == [(2, "1 2 3"), (3, "4"), (4, "5")]
    assert pairs(move_break(three(), 1, -1)) == [(2, "1"), (3, "2 3 4"), (4, "5")]
    with pytest.raises(InputError, match="leaves no picture"):
        move_break(three(), 2, 1)
    with pytest.raises(InputError, match="There is no series 3"):
        move_break(three(), 3, 1)


def test_a_skipped_frame_shifts_everything_after_it() -> None:
    timeline = match_shots(lines(4), THREE, {})
    assert pairs(shift_series(timeline, 1)) == [(2, "1 2"), (4, "3 4"), (5, "5")]
    assert shift_series(timeline, 1).empty_rows == (3,)
    assert pairs(shift_series(timeline, 1, only=True)) == [(2, "1 2"), (4, "3 4"), (4, "5")]
    assert shift_series(timeline, 1, only=True).crowded_rows == (4,)
    assert pairs(shift_series(three(), 2, 5))[2] == (None, "5")


def test_splitting_joining_and_choosing_a_row() -> None:
    parts = split_series(three(), 0, 1)
    assert pairs(parts) == [(2, "1"), (None, "2"), (3, "3 4"), (4, "5")]
    assert pairs(join_series(parts, 1)) == pairs(three())
    assert pairs(assign_row(parts, 1, 4))[1] == (4, "2")
    with pytest.raises(InputError, match="no line that waits"):
        assign_row(parts, 1, 99)
    with pytest.raises(InputError, match="no break at 2"):
        split_series(three(), 0, 2)


def test_a_picture_set_aside_comes_back_where_it_was() -> None:
    without = set_aside(three(), "IMG_3.jpg", "a hand", purpose="people")
    assert pairs(without) == [(2, "1 2"), (3, "4"), (4, "5")]
    assert pairs(take_back(without, "IMG_3.jpg"))[0] == (2, "1 2 3")
    gone = set_aside(three(), "IMG_5.jpg", "next crew")
    assert gone.empty_rows == (4,)
    with pytest.raises(InputError, match="for a reason"):
        set_aside(three(), "IMG_3.jpg", " ")
    with pytest.raises(InputError, match="no such picture"):
        set_aside(three(), "IMG_99.jpg", "gone")
    with pytest.raises(InputError, match="no purpose 'fun'"):
        set_aside(three(), "IMG_3.jpg", "x", purpose="fun")


def test_a_slate_told_by_a_person_makes_a_new_proposal() -> None:
    timeline = set_slate(three(), "IMG_3.jpg", "3")
    assert timeline.method == "slate"
    assert (4, "4 5") in pairs(timeline)


def any_edit(timeline: Timeline, place: int, image: str, chance) -> Timeline:  # noqa: ANN001 - random.Random of the library
    """One of everything that a person can do."""
    return chance.choice([
        lambda t: move_break(t, place, chance.choice([-1, 1])),
        lambda t: shift_series(t, place, chance.choice([-2, 1])),
        lambda t: split_series(t, place, 1),
        lambda t: join_series(t, place),
        lambda t: set_aside(t, image, "blurred"),
        lambda t: take_back(t, image) if t.by_image[image].aside else t,
        lambda t: set_clock_offset(t, "A", 60),
    ])(timeline)  # fmt: skip


@given(st.lists(st.integers(0, 400), min_size=1, max_size=14), st.integers(1, 8), st.randoms(use_true_random=False))
def test_no_picture_is_lost_or_doubled_whatever_is_done(pauses: list[int], n_lines: int, chance) -> None:  # noqa: ANN001 - random.Random of the library
    timeline = match_shots(lines(n_lines), shots(*np.cumsum(pauses).tolist()), {})
    require_whole(timeline)
    for _ in range(6):
        place = chance.randrange(len(timeline.series)) if timeline.series else 0
        image = chance.choice(timeline.shots).image
        try:
            timeline = any_edit(timeline, place, image, chance)
        except InputError:
            continue
        require_whole(timeline)
    assert read_timeline(timeline.as_dict()) == timeline


def test_a_timeline_travels_as_json_and_nonsense_is_refused(tmp_path: Path) -> None:
    write_json(tmp_path / "t.json", three().as_dict())
    values = read_json(tmp_path / "t.json")
    assert read_timeline(values) == three()
    values["series"][0]["images"] = ["IMG_1.jpg"]
    with pytest.raises(InputError, match="do not cover the pictures"):
        read_timeline(values)
    with pytest.raises(InputError, match="timeline"):
        read_timeline({"lines": 3})


def photograph(marker: int | None) -> np.ndarray:
    """A drawn scene, with a marker on a white board."""
    rgb = picture("slate", width=960, height=540)
    if marker is not None:
        rgb[120:420, 300:600] = 255
        rgb[150:390, 330:570] = draw_marker(marker, 240)[..., None]
    return rgb


def test_markers_and_qr_codes_name_a_fish() -> None:
    assert slate_number(cv2.cvtColor(photograph(None), cv2.COLOR_RGB2GRAY)) == ""
    assert slate_number(cv2.cvtColor(photograph(17), cv2.COLOR_RGB2GRAY)) == "17"
    assert slate_number(cv2.cvtColor(photograph(0), cv2.COLOR_RGB2GRAY)) == ""  # the scale is no slate
    (found,) = find_markers(cv2.cvtColor(photograph(0), cv2.COLOR_RGB2GRAY))
    assert found.side_px == pytest.approx(239, abs=2)
    code = cv2.resize(
        cv2.QRCodeEncoder.create().encode("RKV fish 023"), None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST
    )
    assert slate_number(np.pad(code, 40, constant_values=255)) == "23"


def evening(folder: Path) -> Path:
    """A sheet of three fish and a counted line that name no picture; a slate, then one picture each."""
    folder.mkdir()
    rows = ["individual,code,individualCount", "1,NSH,", "2,BOW,", "3,NSH,", ",WPE,120"]
    (folder / "sheet.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "trip.toml").write_text("".join(f'{k} = "{v}"\n' for k, v in FACTS.items()), encoding="utf-8")
    (folder / "cam").mkdir()
    (folder / "cam" / "P_1.jpg").write_bytes(simplejpeg.encode_jpeg(photograph(1), quality=90))
    for i in (2, 3, 4):
        (folder / "cam" / f"P_{i}.jpg").write_bytes(jpeg(f"fish {i}"))
    return folder


def test_a_batch_is_paired_confirmed_and_then_checked(tmp_path: Path) -> None:
    folder = evening(tmp_path / "2031-05-11-RKV")
    timeline = propose_pairing(folder, thumbnails=tmp_path / "thumbs")
    assert [(one.row, one.images) for one in timeline.series] == [(i, (f"cam/P_{i}.jpg",)) for i in (2, 3, 4)]
    assert timeline.by_image["cam/P_1.jpg"].slate == "1"
    assert all((tmp_path / "thumbs" / shot.thumbnail).is_file() for shot in timeline.shots)
    write_pairing(timeline, folder / "pairing.toml")
    draft = check_batch(folder, keep_working=False)
    assert [finding.kind for finding in draft.unresolved] == ["pairing to confirm"]
    write_pairing(timeline, folder / "pairing.toml", who="TBO")
    checked = check_batch(folder, keep_working=False)
    assert checked.unresolved == ()
    assert [line.images for line in checked.rows] == [("cam/P_2.jpg",), ("cam/P_3.jpg",), ("cam/P_4.jpg",), ()]
    assert checked.excluded == {"cam/P_1.jpg": "slate of fish 1 (slate)"}
    assert read_pairing(folder) == checked.pairing


def test_a_sheet_changed_after_pairing_is_noticed(tmp_path: Path) -> None:
    folder = evening(tmp_path / "b")
    write_pairing(propose_pairing(folder), folder / "pairing.toml", who="TBO")
    sheet = folder / "sheet.csv"
    sheet.write_text(sheet.read_text().replace("2,BOW,", "9,BOW,"))
    (gone,) = [one for one in read_batch(folder).findings if one.kind == "pairing of another sheet"]
    assert (gone.row, gone.severity) == (3, "must resolve")


def test_a_batch_without_anything_to_pair_is_refused(tmp_path: Path) -> None:
    folder = evening(tmp_path / "b")
    for path in (folder / "cam").iterdir():
        path.unlink()
    with pytest.raises(InputError, match="No picture waits"):
        propose_pairing(folder)


def test_a_fish_that_was_not_imaged_may_stand(tmp_path: Path) -> None:
    folder = evening(tmp_path / "b")
    (folder / "cam" / "P_4.jpg").unlink()
    write_pairing(propose_pairing(folder), folder / "pairing.toml", who="TBO")
    (without,) = check_batch(folder, keep_working=False).unresolved
    assert (without.kind, without.row) == ("row without picture", 4)
    stand = LetStand(kind=without.kind, row=4, why="camera full", who="TBO")
    write_resolutions(folder, Resolutions(let_stand=(stand,)))
    assert check_batch(folder, keep_working=False).unresolved == ()
