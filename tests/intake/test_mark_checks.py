"""Tags and clips: readable, possible, and one fish at a time."""

from pathlib import Path

import pytest

from passage_cv.intake.check import check_batch
from passage_cv.records import Finding
from tests.batches import FACTS, write_batch

TAG = "999000000012345"


def findings(tmp_path: Path, *rows: dict[str, str]) -> list[Finding]:
    filled = [{"image": f"{i}.jpg", "code": "AMS", "individual": str(i), **row} for i, row in enumerate(rows)]
    return list(check_batch(write_batch(tmp_path / "b", filled, FACTS)).findings)


@pytest.mark.parametrize("mark", ["NM", "NX", "LV", "LPRP", "LP, PIT", "VIE-RED", "TBA-Y0412", "UC"])
def test_good_marks(tmp_path: Path, mark: str) -> None:
    assert findings(tmp_path, {"mark": f'"{mark}"'}) == []


@pytest.mark.parametrize(
    ("mark", "message"),
    [
        ("XX", "no combination of"),
        ("NMLV", "says both a mark and none"),
        ("ADLV", "American shad has no adipose fin to clip"),
    ],
)
def test_bad_marks(tmp_path: Path, mark: str, message: str) -> None:
    (finding,) = findings(tmp_path, {"mark": mark})
    assert (finding.kind, finding.severity) == ("mark", "must resolve")
    assert message in finding.message


@pytest.mark.parametrize(
    ("code", "mark", "fin"),
    [("EEL", "LV", "pelvic"), ("EEL", "LVRV", "pelvic"), ("SLP", "RP", "pectoral"), ("ASE", "RV", "pelvic")],
)
def test_a_clip_of_a_fin_that_the_species_lacks(tmp_path: Path, code: str, mark: str, fin: str) -> None:
    # from memory of general anatomy: eels have no pelvic fins, lampreys and swamp eels no paired fins
    (finding,) = findings(tmp_path, {"mark": mark, "code": code})
    assert (finding.kind, finding.severity) == ("mark", "must resolve")
    assert f"has no {fin} fin to clip" in finding.message


def test_an_eel_has_pectoral_fins(tmp_path: Path) -> None:
    assert findings(tmp_path, {"mark": "LP", "code": "EEL"}) == []


def test_an_adipose_clip_is_possible_on_a_catfish(tmp_path: Path) -> None:
    assert findings(tmp_path, {"mark": "AD", "code": "CCF"}) == []


@pytest.mark.parametrize("tag", [TAG, "3D9.1BF1E2D3C4", "Y-0412"])
def test_good_tags(tmp_path: Path, tag: str) -> None:
    assert findings(tmp_path, {"organismID": tag}) == []


@pytest.mark.parametrize("tag", [TAG[:-1], TAG + "0", "12345"])
def test_a_tag_with_a_digit_too_few_or_too_many(tmp_path: Path, tag: str) -> None:
    (finding,) = findings(tmp_path, {"organismID": tag})
    assert finding.kind == "tag number"
    assert f"has {len(tag)} characters" in finding.message


@pytest.mark.parametrize("tag", ["999274877906944", "3D9.4000000000", "400.1BF1E2D3C4"])
def test_a_tag_beyond_the_bits_of_a_pit_code_is_looked_at(tmp_path: Path, tag: str) -> None:
    (finding,) = findings(tmp_path, {"organismID": tag})
    assert (finding.kind, finding.severity) == ("tag number", "please look")
    assert f"tag {tag} is no PIT code" in finding.message
    assert findings(tmp_path / "most", {"organismID": "999274877906943"}) == []


def test_one_tag_on_two_fish_of_an_event(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, {"organismID": TAG}, {"organismID": TAG})
    assert (finding.kind, finding.severity) == ("tag on two fish", "must resolve")
    assert "fish 0 and 1 of event E1" in finding.message


@pytest.mark.parametrize(("before", "after", "shrank"), [("480", "470", False), ("480", "420", True)])
def test_a_fish_seen_again_later_is_a_sighting_to_look_at_and_no_error(
    tmp_path: Path, before: str, after: str, *, shrank: bool
) -> None:
    first = {"organismID": TAG, "length_mm": before, "length_type": "TL"}
    again = {**first, "eventID": "E2", "eventDate": "2031-05-18T20:00:00-04:00", "length_mm": after}
    (finding,) = findings(tmp_path, first, again)
    assert (finding.kind, finding.severity, finding.row) == ("repeat sighting", "please look", 3)
    assert ("shrank" in finding.message) == shrank


def test_a_fish_cannot_be_in_two_places_at_once(tmp_path: Path) -> None:
    elsewhere = {"organismID": TAG, "eventID": "E2", "locationID": "LTB-HOL-02"}
    (finding,) = findings(tmp_path, {"organismID": TAG}, elsewhere)
    assert (finding.kind, finding.severity) == ("tag in two places", "must resolve")


def test_two_lengths_of_one_fish(tmp_path: Path) -> None:
    rows = [{"individual": "1", "length_mm": mm, "length_type": "FL"} for mm in ("430", "450", "430")]
    (finding,) = findings(tmp_path, *rows)
    assert (finding.kind, finding.severity, finding.row) == ("two lengths of one fish", "must resolve", 3)
    assert "430 mm FL (row 2) and 450 mm FL (row 3)" in finding.message


def test_two_lengths_of_different_kinds_are_no_fault(tmp_path: Path) -> None:
    rows = [{"individual": "1", "length_mm": mm, "length_type": kind} for mm, kind in (("430", "FL"), ("480", "TL"))]
    assert findings(tmp_path, *rows) == []


def test_a_tag_that_comes_back_among_fish_without_numbers_is_asked_about(tmp_path: Path) -> None:
    tags = [TAG, "999000000012346", "999000000012347", TAG]
    rows = [{"organismID": tag, "individual": "", "code": "AMS"} for tag in tags]
    (finding,) = findings(tmp_path / "a", *rows)
    assert (finding.kind, finding.severity, finding.row) == ("tag again in one event", "please look", 5)
    assert findings(tmp_path / "views", *rows[:3], rows[2]) == []  # two views of one fish, one after the other
    assert findings(tmp_path / "round", *rows[:3], *rows[:3]) == []  # the sheet goes round by views
