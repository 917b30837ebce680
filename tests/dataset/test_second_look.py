"""A fish called two species goes to a second reader first, who sees neither name and is never who decided."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli.labels import app
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.agreement import agreement
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.blind import fish_of
from passage_cv.dataset.readings import blind_list, next_blind, readings_of, record_reading
from passage_cv.dataset.second_look import disputed_among
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.intake.resolutions import Correction, LetStand, Resolutions, write_resolutions
from tests.batches import FACTS, trip_rows, write_batch

NOON = datetime(2031, 5, 12, 12, tzinfo=UTC)
CORRECTED, STOOD = "T1-1/7", "T1-1/4"
WHY = {"why": "scales on the head", "who": "ELQ"}


def bring(store: Store, folder: Path, trip: str, *, is_disputed: bool) -> None:
    """Ten fish named by TBO, two of them called two species and decided by ELQ."""
    rows = [{**row, "identifiedBy": "TBO", "scientificName": ""} for row in trip_rows(trip, 10)]
    if is_disputed:
        rows[4]["scientificName"] = "Amia calva"  # beside the code NSH
        decided = Resolutions(
            correct=(Correction(row=9, column="code", was="BOW", becomes="NSH", **WHY),),
            let_stand=(LetStand(kind="name and code differ", row=6, **WHY),),
        )
    write_batch(folder, rows, {**FACTS, "trip": trip})
    if is_disputed:
        write_resolutions(folder, decided)
    accept_batch(check_batch(folder), store, author="TBO")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Twenty fish, two of them disputed."""
    store = Store.create(tmp_path / "store", StoreSettings())
    bring(store, tmp_path / "a", "T0", is_disputed=False)
    bring(store, tmp_path / "b", "T1", is_disputed=True)
    return store


def individuals_of(store: Store, reader: str) -> list[str]:
    rows = open_version(store).table().to_pylist()
    names = {row["image_sha256"]: row["individual"] for row in rows}
    return [names[fish.images[0]] for fish in blind_list(store, reader)]


def test_disputed_fish_come_first_to_every_reader_but_those_who_decided(store: Store) -> None:
    assert set(individuals_of(store, "RKV")[:2]) == {CORRECTED, STOOD}
    assert len(individuals_of(store, "RKV")) == 20
    others = individuals_of(store, "ELQ")
    assert len(others) == 18
    assert not {CORRECTED, STOOD} & set(others)


def test_they_come_blind_and_a_told_one_waits_no_more(store: Store) -> None:
    for name in ("unsure", "NSH", "NSH"):
        fish = next_blind(store, "RKV" if name != "unsure" else "QUA")
        assert fish is not None
        assert not [word for word in ("NSH", "BOW", "T1", "/") if word in fish.token]
        record_reading(store, fish.token, reader="RKV" if name != "unsure" else "QUA", name=name, at=NOON)
    read = [one.individual for one in readings_of(store)]
    assert set(read) == {CORRECTED, STOOD}  # the unsure word did not settle the first
    assert not {CORRECTED, STOOD} & set(individuals_of(store, "HAN")[:18])


def test_they_were_not_drawn_and_do_not_count_for_kappa(store: Store) -> None:
    for n in range(3):
        fish = next_blind(store, "RKV")
        assert fish is not None
        kept = record_reading(store, fish.token, reader="RKV", name="NSH", at=NOON)
        assert kept.drawn is (n == 2)
    found = agreement(store)
    assert (found.n_read, found.chosen) == (1, 2)


def test_who_decided_cannot_read_it_by_its_token_either(store: Store) -> None:
    newest = open_version(store)
    (shown,) = {fish.token for fish in blind_list(store, "RKV")[:1]}
    with pytest.raises(InputError, match="was not given to reader ELQ"):
        record_reading(store, shown, reader="ELQ", name="NSH")
    disputed = disputed_among(newest, fish_of(newest))
    assert disputed == {CORRECTED: {"ELQ"}, STOOD: {"ELQ"}}


def test_a_relabel_without_a_method_that_confirms_is_a_dispute(store: Store) -> None:
    amend(store, "relabel", individual="T0-1/2", becomes="BOW", author="HAN", why="fin")
    amend(store, "relabel", individual="T0-1/3", becomes="NSH", author="HAN", why="barcode", method="genetic")
    newest = open_version(store)
    assert disputed_among(newest, fish_of(newest)).keys() == {CORRECTED, STOOD, "T0-1/2"}
    assert set(individuals_of(store, "RKV")[:3]) == {CORRECTED, STOOD, "T0-1/2"}
    assert "T0-1/2" not in individuals_of(store, "HAN")


def test_a_reader_named_among_others_does_not_read_his_fish_again(tmp_path: Path) -> None:
    rows = [{**row, "identifiedBy": who} for row, who in zip(trip_rows("T1", 2), ("TBO; RKV", "TBO"), strict=True)]
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1"})), store, author="TBO")
    assert individuals_of(store, "RKV") == ["T1-1/1"]


def test_a_reading_sheet_begins_with_them_and_says_no_name(store: Store, tmp_path: Path) -> None:
    given = ["sheet", "--store", store.storage.root, "--reader", "RKV", "--most", "2"]
    result = CliRunner().invoke(app, [*given, "-o", str(tmp_path / "sheet")])
    assert result.exit_code == 0, result.output
    lines = (tmp_path / "sheet/reading.csv").read_text().split()[1:]
    assert {line.partition(",")[0] for line in lines} == {fish.token for fish in blind_list(store, "RKV")[:2]}
    page = (tmp_path / "sheet/reading.html").read_text()
    assert not [word for word in ("Amia", "Channa", "disputed") if word in page]


def test_findings_that_are_gone_are_no_reason_to_show_fewer_fish_silently(store: Store) -> None:
    newest = open_version(store)
    store.storage.local(f"batches/{newest.entries[1].id}/findings.json").unlink()
    with pytest.raises(InputError, match="found in a batch is missing"):
        blind_list(store, "RKV")
