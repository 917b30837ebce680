"""Two crews that number the fish of one event alike: never one fish without a person's word."""

from __future__ import annotations

from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch, check_beside_store
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.intake.resolutions import KNOWN_NUMBERS, LetStand, Resolutions, write_resolutions
from passage_cv.records import Finding
from tests.batches import write_batch

CODES = ("NSH", "BOW", "WPE", "ASE")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """One batch of four fish, numbered from 1."""
    made = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(crew(tmp_path / "first", CODES)), made, author="TBO")
    return made


def crew(folder: Path, codes: tuple[str, ...], first: int = 1, **also: str) -> Path:
    """A batch of one event and trip, a picture for each fish."""
    rows = [
        {"image": f"{n}.jpg", "individual": str(n), "code": code, "length_mm": "400", "length_type": "TL", **also}
        for n, code in enumerate(codes, start=first)
    ]
    return write_batch(folder, rows)


def beside(folder: Path, store: Store) -> list[Finding]:
    return [one for one in check_beside_store(check_batch(folder), store) if one.severity == "must resolve"]


def test_equal_species_are_not_taken_for_the_same_fish(store: Store, tmp_path: Path) -> None:
    folder = crew(tmp_path / "second", CODES)
    (finding,) = beside(folder, store)
    assert finding.kind == KNOWN_NUMBERS
    assert "4 fish of event E1 have numbers that batch first-" in finding.message
    assert "its own eventID or numbers" in str(finding.proposal)
    before = [one.name for one in list_versions(store)]
    with pytest.raises(InputError, match="4 fish of event E1 have numbers"):
        accept_batch(check_batch(folder), store, author="RKV")
    assert [one.name for one in list_versions(store)] == before


def test_more_pictures_of_the_same_fish_join_them_once_a_person_says_so(store: Store, tmp_path: Path) -> None:
    folder = crew(tmp_path / "second", CODES[:2])
    stand = LetStand(kind=KNOWN_NUMBERS, row=2, why="second card of the same evening", who="RKV")
    write_resolutions(folder, Resolutions(let_stand=(stand,)))
    batch = check_batch(folder)
    assert not batch.findings
    receipt = accept_batch(batch, store, author="RKV")
    assert [(one["kind"], one["who"]) for one in receipt.let_stand] == [(KNOWN_NUMBERS, "RKV")]
    assert open_version(store).table()["individual"].to_pylist().count("E1/1") == 2


def test_other_species_under_known_numbers_are_told_together_and_cannot_stand(store: Store, tmp_path: Path) -> None:
    folder = crew(tmp_path / "second", (*CODES[1:], CODES[0]))
    (finding,) = beside(folder, store)
    assert finding.kind == "two species"
    assert "4 of 4 fish of event E1" in finding.message
    assert "1: Amia calva here, Channa argus there" in finding.message
    assert "Two crews may have numbered one event" in str(finding.proposal)
    write_resolutions(
        folder, Resolutions(let_stand=(LetStand(kind="two species", row=2, why="so it is", who="RKV"),))
    )
    with pytest.raises(InputError, match="4 of 4 fish"):
        accept_batch(check_batch(folder), store, author="RKV")


def test_one_fish_of_another_species_is_told_by_itself(store: Store, tmp_path: Path) -> None:
    kinds = [one.kind for one in beside(crew(tmp_path / "second", (*CODES[:3], "NSH")), store)]
    assert kinds == ["two species", KNOWN_NUMBERS]


def test_tags_are_numbered_by_nobody_and_told_one_by_one(store: Store, tmp_path: Path) -> None:
    for name, codes in (("tagged", ("BOW", "WPE")), ("again", ("WPE", "BOW"))):
        folder = crew(tmp_path / name, codes, first=7)
        text = (folder / "sheet.csv").read_text().splitlines()
        lines = [f"{text[0]},organismID", *(f"{line},QMR-000{n}" for n, line in enumerate(text[1:]))]
        (folder / "sheet.csv").write_text("\n".join(lines) + "\n")
        if name == "tagged":
            accept_batch(check_batch(folder), store, author="TBO")
    found = beside(folder, store)
    assert [one.kind for one in found] == ["two species"] * 2
    assert all("relabel the earlier one" in str(one.proposal) for one in found)


def test_numbers_that_go_on_and_tags_are_nothing_to_ask_about(store: Store, tmp_path: Path) -> None:
    assert beside(crew(tmp_path / "next", CODES, first=5), store) == []
    tagged = crew(tmp_path / "tagged", ("BOW",), organismID="QMR-0007")
    accept_batch(check_batch(tagged), store, author="TBO")
    assert beside(crew(tmp_path / "again", ("BOW",), organismID="QMR-0007"), store) == []
