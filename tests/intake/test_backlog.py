"""Years of folders named by species become batches that are checked like any other."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli.backlog import app
from passage_cv.errors import InputError
from passage_cv.intake.backlog import OldPicture, number_animals, survey_backlog, write_backlog
from passage_cv.intake.check import check_batch
from passage_cv.intake.timeline import Shot
from tests.batches import jpeg

TREE = (
    "2029-05-04 Kettleback/Channa_argus/1.jpg",
    "2029-05-04 Kettleback/NSH (2029)/2.jpg",
    "2029-05-04 Kettleback/white perch/3.jpg",
    "2030/bowfin/left/4.jpg",
    "2030/chana argus/5.jpg",
    "mixed/6.jpg",
)
FACTS = {"locationID": "QMR-KBW-01", "permit": "QMR-29-001", "animalCareProtocol": "ACP-0291"}


def tree(root: Path) -> Path:
    for name in TREE:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(jpeg(name))
    return root


def test_species_and_days_come_from_folders(tmp_path: Path) -> None:
    found = survey_backlog(tree(tmp_path / "old"))
    named = {
        event: [one.species.code if one.species else "?" for one in pictures]
        for event, pictures in found.events.items()
    }
    assert named == {"2029-05-04": ["NSH", "NSH", "WPE"], "2030": ["BOW", "?"], "undated": ["?"]}
    assert found.unnamed == {"chana argus": ("Channa argus",), "mixed": ()}
    assert found.n_pictures == 6


def test_batches_are_checked_and_what_is_not_known_is_asked(tmp_path: Path) -> None:
    written = write_backlog(survey_backlog(tree(tmp_path / "old")), tmp_path / "new", FACTS)
    assert [path.name for path in written] == ["backlog-2029-05-04", "backlog-2030", "backlog-undated"]
    day = check_batch(written[0], keep_working=False)
    assert day.unresolved == ()
    assert [line.cells["source"] for line in day.rows] == [
        "folder Channa_argus",
        "folder NSH (2029)",
        "folder white perch",
    ]
    (slip,) = [one for one in check_batch(written[1], keep_working=False).findings if one.kind == "unknown name"]
    assert slip.change is not None
    assert slip.change.value == "Channa argus"
    with pytest.raises(InputError, match="there already"):
        write_backlog(survey_backlog(tmp_path / "old"), tmp_path / "new", FACTS)


def test_pictures_that_follow_closely_are_one_animal() -> None:
    def old(folder: str, taken: str) -> OldPicture:
        return OldPicture(Shot("x.jpg", taken), folder, None, "E", "")

    pictures = [
        old("a", "2029-05-04T10:00:00"),
        old("a", "2029-05-04T10:01:30"),
        old("a", "2029-05-04T10:10:00"),
        old("b", "2029-05-04T10:10:05"),
        old("b", ""),
        old("b", ""),
    ]
    assert number_animals(pictures) == [1, 1, 2, 3, 4, 5]


def test_the_command_says_what_it_could_not_name(tmp_path: Path) -> None:
    words = [str(tree(tmp_path / "old")), "--out", str(tmp_path / "new"), "--location", "QMR-KBW-01"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0
    assert "chana argus names no species; perhaps Channa argus" in done.output
    assert "6 pictures in 3 batch folders" in done.output


def test_an_empty_tree_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No picture lies there"):
        survey_backlog(tmp_path)
    with pytest.raises(InputError, match="Folder is missing"):
        survey_backlog(tmp_path / "none")
