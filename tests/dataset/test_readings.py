"""Second readers see pictures and nothing else, each reading is kept, and agreement is counted per fish."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.agreement import agreement, agreement_of
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.readings import (
    Reading,
    blind_list,
    confirmed_individuals,
    next_blind,
    readings_of,
    record_reading,
)
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch

NOON = datetime(2031, 5, 12, 12, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Six fish of one trip, the last read by ELQ already; one also on a length board."""
    rows = [{**row, "identifiedBy": "TBO"} for row in trip_rows("T1", 6, ("AMS", "HKS"), views=2)]
    for row in rows[10:]:
        row |= {"identifiedBy": "ELQ", "identificationMethod": "genetic"}
    rows.append({**rows[0], "image": "images/board.jpg", "purpose": "length board"})
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(write_batch(tmp_path / "b", rows, {**FACTS, "trip": "T1"})), store, author="TBO")
    return store


def individual_of(store: Store, images: tuple[str, ...]) -> str:
    rows = open_version(store).table().to_pylist()
    (found,) = {row["individual"] for row in rows if row["image_sha256"] in images}
    return str(found)


def read_all(store: Store, reader: str, name: str) -> list[Reading]:
    given = []
    while fish := next_blind(store, reader):
        given.append(record_reading(store, fish.token, reader=reader, name=name, at=NOON))
    return given


def test_a_reader_gets_gate_views_and_no_word_about_the_fish(store: Store) -> None:
    shown = blind_list(store, "ELQ")
    assert [fish.n_left for fish in shown] == [5, 4, 3, 2, 1]  # not the one that ELQ identified
    assert {len(fish.images) for fish in shown} == {2}  # the length board, which may have a name on it, is not shown
    said = {*("AMS", "HKS", "Alosa"), *(f"T1-1/{i}" for i in range(6))}
    assert not [fish for fish in shown if any(word in fish.token for word in said)]
    others = {fish.token for fish in blind_list(store, "RKV")}
    assert not others & {fish.token for fish in shown}  # readers cannot compare notes by token


def test_each_fish_comes_once_to_each_reader_and_the_least_read_first(store: Store) -> None:
    read = read_all(store, "ELQ", "AMS")
    assert len({one.individual for one in read}) == 5
    assert next_blind(store, "ELQ") is None
    first = next_blind(store, "RKV")
    assert first is not None
    assert individual_of(store, first.images) == "T1-1/5"  # the only one that nobody has read
    assert [one.reader for one in readings_of(store)] == ["ELQ"] * 5


def test_a_reading_keeps_who_when_what_and_the_label_it_did_not_see(store: Store) -> None:
    fish = next_blind(store, "ELQ")
    assert fish is not None
    record_reading(store, fish.token, reader="ELQ", name="hickory shad", note="lower jaw", at=NOON)
    (kept,) = readings_of(store)
    label = {row["individual"]: row["scientificName"] for row in open_version(store).table().to_pylist()}
    assert (kept.reader, kept.at, kept.scientificName, kept.code, kept.note) == (
        "ELQ", NOON.isoformat(), "Alosa mediocris", "HKS", "lower jaw",
    )  # fmt: skip
    assert kept.first == label[kept.individual]
    assert verify_store(store).problems == ()
    with pytest.raises(InputError, match="ELQ has read this fish already"):
        record_reading(store, fish.token, reader="ELQ", name="AMS")


def test_what_is_no_reading(store: Store) -> None:
    fish = next_blind(store, "ELQ")
    assert fish is not None
    for given, message in (
        ({"reader": "RKV", "name": "AMS"}, "was not given to reader RKV"),
        ({"reader": " ", "name": "AMS"}, "made by somebody"),
        ({"reader": "ELQ", "name": "XYZ"}, "'XYZ' is on no list"),
    ):
        with pytest.raises(InputError, match=message):
            record_reading(store, fish.token, **given)
    assert readings_of(store) == []


def test_a_changed_reading_is_found(store: Store) -> None:
    read_all(store, "ELQ", "AMS")
    name = store.storage.names("readings")[0]
    path = store.storage.local(f"readings/{name}")
    path.write_bytes(path.read_bytes().replace(b"mediocris", b"mediocrit").replace(b"ELQ", b"EKQ"))
    assert f"readings/{name} was changed" in verify_store(store).problems[0]


def reading(individual: str, first: str, second: str, *, drawn: bool = True, reader: str = "ELQ") -> Reading:
    return Reading(
        at=NOON.isoformat(), reader=reader, version="v", individual=individual, images=(), first=first,
        scientificName=second, drawn=drawn,
    )  # fmt: skip


def test_kappa_is_that_of_the_published_table() -> None:
    # Handbook section 5: two readers, 0 4 1 / 0 8 0 / 0 1 5: kappa 0.4842, SE 0.1380, interval 0.2137 to
    # 0.7547 (published: reference printout in the statsmodels tests).
    table = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]
    pairs = [(i, j) for i in range(3) for j in range(3) for _ in range(table[i][j])]
    found = agreement_of([reading(f"f{n}", "abc"[i], "abc"[j]) for n, (i, j) in enumerate(pairs)])
    assert found.kappa is not None
    assert (found.n_read, found.agreed, len(found.disputed)) == (19, 13, 6)
    printed = (found.kappa.value, found.kappa.standard_error, found.kappa.low, found.kappa.upper)
    assert printed == pytest.approx((0.4842, 0.1380, 0.2137, 0.7547), abs=5e-5)
    reference = cohens_kappa(found.table)
    assert printed[1] == pytest.approx(reference.std_kappa, rel=1e-9)


def test_a_fish_counts_once_and_only_where_it_was_drawn() -> None:
    found = agreement_of(
        [
            reading("1", "a", "a"),
            reading("1", "a", "b", reader="RKV"),
            reading("2", "b", "b"),
            reading("3", "b", ""),
            reading("4", "a", "b", drawn=False),
        ]
    )
    assert found.table == ((1, 0), (0, 1))
    assert (found.n_read, found.unsure, found.chosen, found.readers) == (2, 1, 1, ("ELQ", "RKV"))
    assert [one.individual for one in found.disputed] == ["1", "4"]


def test_without_a_value_kappa_says_why(store: Store) -> None:
    assert agreement(store).reason == "no fish was read"
    found = agreement_of([reading("1", "a", "a"), reading("2", "a", "a")])
    assert found.kappa is None
    assert "one and the same class" in found.reason


def test_confirmed_by_method_or_by_agreeing_readers(store: Store) -> None:
    assert confirmed_individuals(open_version(store), readings_of(store)) == {"T1-1/5"}
    read_all(store, "ELQ", "AMS")
    american = {"T1-1/0", "T1-1/2", "T1-1/4"}
    assert confirmed_individuals(open_version(store), readings_of(store)) == {*american, "T1-1/5"}
    amend(store, "relabel", individual="T1-1/1", becomes="AMS", author="HAN", why="second reader")
    assert "T1-1/1" in confirmed_individuals(open_version(store), readings_of(store))
    amend(store, "merge", individual="T1-1/0", becomes="T1-1/2", author="RKV", why="one fish")
    assert american - {"T1-1/0"} <= confirmed_individuals(open_version(store), readings_of(store))
    while fish := next_blind(store, "RKV"):  # one for, one against: not confirmed; genetics beat a look
        name = "AMS" if individual_of(store, fish.images) == "T1-1/5" else "HKS"
        record_reading(store, fish.token, reader="RKV", name=name)
    assert confirmed_individuals(open_version(store), readings_of(store)) == {"T1-1/5"}
