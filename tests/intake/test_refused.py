"""A refused batch is set aside whole, decided upon, and resumed."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli.accept import app
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.intake.refused import DRAFT, REFUSED, WAS_REFUSED, note_accepted, set_batch_aside
from tests.batches import ROWS, write_batch

SWAPPED = ({**ROWS[0], "code": "NSHH"}, *ROWS[1:])


def accept(folder: Path, store: Path, *extra: str) -> None:
    words = [str(folder), "--store", str(store), "--author", "TBO", "--unit", "individual", *extra]
    result = CliRunner().invoke(app, words)
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception


def test_a_refused_batch_is_kept_whole_and_resumed(tmp_path: Path) -> None:
    folder, place, store = write_batch(tmp_path / "trip", SWAPPED), tmp_path / "aside", tmp_path / "store"
    before = sorted(path.relative_to(folder) for path in folder.rglob("*"))
    with pytest.raises(InputError, match="must be resolved"):
        accept(folder, store, "--set-aside", str(place))
    assert sorted(path.relative_to(folder) for path in folder.rglob("*")) == before
    kept = place / "trip"
    assert {path.relative_to(kept) for path in kept.rglob("*")} == {*before, Path(REFUSED), Path(DRAFT)}
    said = json.loads((kept / REFUSED).read_text())
    assert "NSHH" in said["why"]
    draft = (kept / DRAFT).read_text()
    assert 'was = "NSHH"' in draft
    assert 'becomes = "NSH"' in draft  # proposed; a person still says who and why
    block = draft[draft.index("# [[correct]]") :].split("\n\n")[0].replace("# ", "")
    decided = block.replace('why = "?"', 'why = "slip"')
    (kept / "resolutions.toml").write_text("format = 1\n" + decided.replace('who = "?"', 'who = "TBO"'))
    accept(kept, store)
    newest = open_version(Store.open(store))
    assert len(newest.table(["image"])) == 3
    assert not (kept / REFUSED).exists()  # nobody who looks there takes it for refused
    history = json.loads((kept / WAS_REFUSED).read_text())
    assert {name: history[name] for name in said} == said
    assert (history["accepted"]["version"], history["accepted"]["who"]) == (newest.name, "TBO")


def test_the_same_batch_twice_changes_nothing_and_says_so(tmp_path: Path) -> None:
    folder, store = write_batch(tmp_path / "trip"), tmp_path / "store"
    accept(folder, store)
    before = open_version(Store.open(store)).name
    result = CliRunner().invoke(app, [str(folder), "--store", str(store), "--author", "TBO"])
    assert "nothing was changed" in result.output
    assert open_version(Store.open(store)).name == before


def test_another_batch_of_that_name_is_not_written_over(tmp_path: Path) -> None:
    one = check_batch(write_batch(tmp_path / "a" / "trip", SWAPPED), keep_working=False)
    other = check_batch(write_batch(tmp_path / "b" / "trip", SWAPPED[:1]), keep_working=False)
    kept = set_batch_aside(one, tmp_path / "aside", why="refused", at="2031-05-12")
    (kept / "resolutions.toml").write_text("format = 1\n")
    assert set_batch_aside(one, tmp_path / "aside", why="again", at="2031-05-13") == kept
    assert (kept / "resolutions.toml").read_text() == "format = 1\n"
    with pytest.raises(InputError, match="Another batch of this name"):
        set_batch_aside(other, tmp_path / "aside", why="refused", at="2031-05-12")


def test_a_copy_set_aside_is_history_once_the_batch_itself_is_accepted(tmp_path: Path) -> None:
    """A file beside the sheet was missing, so the sheet is the same in both folders."""
    folder, place, store = write_batch(tmp_path / "trip"), tmp_path / "aside", tmp_path / "store"
    facts = (folder / "trip.toml").read_text()
    (folder / "trip.toml").write_text(facts.replace('permit = "QMR-31-001"', ""))
    with pytest.raises(InputError, match="names no collecting permit"):
        accept(folder, store, "--set-aside", str(place))
    (folder / "trip.toml").write_text(facts)
    accept(folder, store, "--set-aside", str(place))
    assert not (place / "trip" / REFUSED).exists()
    assert (place / "trip" / WAS_REFUSED).is_file()
    assert not (folder / WAS_REFUSED).exists()  # that folder never said that it was refused


def test_another_batch_is_not_mixed_with_one_that_was_accepted(tmp_path: Path) -> None:
    one = check_batch(write_batch(tmp_path / "a" / "trip", SWAPPED), keep_working=False)
    other = check_batch(write_batch(tmp_path / "b" / "trip", SWAPPED[:1]), keep_working=False)
    kept = set_batch_aside(one, tmp_path / "aside", why="refused", at="2031-05-12")
    assert note_accepted(one, tmp_path / "aside", version="1", who="TBO", at="2031-05-13") == [kept / WAS_REFUSED]
    assert note_accepted(one, tmp_path / "aside", version="1", who="TBO", at="2031-05-13") == []
    with pytest.raises(InputError, match="Another batch of this name"):
        set_batch_aside(other, tmp_path / "aside", why="refused", at="2031-05-12")
