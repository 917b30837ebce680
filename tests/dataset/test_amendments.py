"""Later decisions: new versions that say who and why, and old versions as they were."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.diff import diff_versions
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.sweep import sweep_store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch

NOON = datetime(2031, 5, 12, 12, tzinfo=UTC)
SAID = {"author": "ELQ", "why": "second reader"}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Five trips of two fish with two views each: in a block of five every role occurs."""
    store = Store.create(tmp_path / "store", StoreSettings())
    for i in range(5):
        facts = {**FACTS, "trip": f"T{i}"}
        rows = trip_rows(f"T{i}", 2, ("AMS",), views=2)
        accept_batch(check_batch(write_batch(tmp_path / f"b{i}", rows, facts)), store, author="TBO", at=NOON)
    return store


def rows_of(store: Store, individual: str, version: str = "latest") -> list[dict[str, object]]:
    return [row for row in open_version(store, version).table().to_pylist() if row["individual"] == individual]


def fish_in(store: Store, role: str) -> str:
    return next(row["individual"] for row in open_version(store).table().to_pylist() if row["role"] == role)


def test_relabel(store: Store) -> None:
    before = open_version(store)
    version = amend(store, "relabel", individual="T0-1/0", becomes="HKS", **SAID)
    assert {(row["scientificName"], row["code"]) for row in rows_of(store, "T0-1/0")} == {("Alosa mediocris", "HKS")}
    assert before.table().equals(open_version(store, before.name).table())
    found = diff_versions(before, version)
    assert (found.n_came, found.n_went) == (0, 0)
    changed = {(change.column, change.before, change.after) for change in found.changes}
    assert changed == {("scientificName", "Alosa sapidissima", "Alosa mediocris"), ("code", "AMS", "HKS")}
    (decision,) = found.decisions
    assert (decision.kind, decision.about, decision.becomes) == ("relabel", "T0-1/0", "Alosa mediocris")
    assert (decision.author, decision.why) == ("ELQ", "second reader")
    assert diff_versions(version, version).decisions == ()
    assert list_versions(store)[-1].reason == "relabel T0-1/0 to Alosa mediocris: second reader"
    with pytest.raises(InputError, match="'XYZ' is on no list"):
        amend(store, "relabel", individual="T0-1/0", becomes="XYZ", **SAID)


def test_exclude_takes_a_fish_out_of_its_role(store: Store) -> None:
    fish = fish_in(store, "test")
    amend(store, "exclude", individual=fish, **SAID)
    assert {(row["role"], row["excluded_reason"]) for row in rows_of(store, fish)} == {
        ("excluded", "excluded by ELQ: second reader")
    }


def test_exclude_single_images(store: Store) -> None:
    first, second = rows_of(store, "T1-1/1")
    amend(store, "exclude", images=[first["image_sha256"]], **SAID)
    found = {row["image_sha256"]: row["role"] for row in rows_of(store, "T1-1/1")}
    assert found == {first["image_sha256"]: "excluded", second["image_sha256"]: second["role"]}


@pytest.mark.parametrize("roles", [("train", "test"), ("cut", "train"), ("test", "cut")])
def test_a_merged_fish_keeps_one_role_that_of_its_first_sighting(store: Store, roles: tuple[str, str]) -> None:
    one, other = (fish_in(store, role) for role in roles)
    order = [row["individual"] for row in open_version(store).table().to_pylist()]
    first = min((one, other), key=order.index)
    first_role = rows_of(store, first)[0]["role"]
    amend(store, "merge", individual=one, becomes=other, **SAID)
    assert rows_of(store, one) == []
    merged = rows_of(store, other)
    assert len(merged) == 4
    assert {row["role"] for row in merged} == {first_role, "excluded"}
    assert {row["occurrence"] for row in merged} == {other, f"{other}@{one.partition('/')[0]}"}
    assert any("first seen in" in str(row["excluded_reason"]) for row in merged)


def test_what_cannot_be_merged(store: Store) -> None:
    amend(store, "relabel", individual="T0-1/0", becomes="WPE", **SAID)
    for individual, into in (("T0-1/0", "T1-1/0"), ("T1-1/0", "T1-1/0"), ("T1-1/0", "nobody")):
        with pytest.raises(InputError, match="Cannot merge"):
            amend(store, "merge", individual=individual, becomes=into, **SAID)


def test_split(store: Store) -> None:
    first, second = rows_of(store, "T2-1/0")
    amend(store, "split", images=[second["image_sha256"]], becomes="T2-1/0b", **SAID)
    assert [row["image_sha256"] for row in rows_of(store, "T2-1/0")] == [first["image_sha256"]]
    (new,) = rows_of(store, "T2-1/0b")
    assert (new["role"], new["occurrence"]) == (second["role"], "T2-1/0b")
    with pytest.raises(InputError, match="Cannot split"):
        amend(store, "split", images=[first["image_sha256"]], becomes="T2-1/0c", **SAID)


def test_withdrawn_pictures_are_gone_and_the_rest_is_sound(store: Store) -> None:
    before = open_version(store)
    (row, other) = rows_of(store, "T3-1/1")
    amend(store, "withdraw", images=[row["image_sha256"]], **SAID)
    with pytest.raises(InputError, match="Store has no picture"):
        store.read_object(row["image_sha256"])
    assert store.read_object(other["image_sha256"])
    assert open_version(store, before.name).table().num_rows == 20
    found = verify_store(store)
    assert (found.problems, found.n_withdrawn) == ((), 1)


def test_a_withdrawal_that_was_stopped_is_found_and_finished(store: Store) -> None:
    (row, _) = rows_of(store, "T3-1/1")
    sha256 = str(row["image_sha256"])
    data = store.read_object(sha256)
    amend(store, "withdraw", images=[sha256], **SAID)
    path = f"objects/{sha256[:2]}/{sha256}.jpg"
    store.storage.put(path, data)  # as if the writer had been killed before it deleted the file
    assert verify_store(store).problems == (f"{path} was withdrawn and is still there; run versions sweep --remove",)
    later = datetime.now(UTC) + timedelta(hours=25)
    assert sweep_store(store, now=later, remove=True).paths == (path,)
    assert verify_store(store).problems == ()


def test_amendments_follow_one_another(store: Store) -> None:
    amend(store, "merge", individual="T0-1/0", becomes="T0-1/1", **SAID)
    amend(store, "relabel", individual="T0-1/1", becomes="HKS", **SAID)
    assert {row["code"] for row in rows_of(store, "T0-1/1")} == {"HKS"}
    assert len(rows_of(store, "T0-1/1")) == 4
    few = open_version(store).table(["code", "individual"])
    assert few.column_names == ["code", "individual"]
    assert few.equals(open_version(store).table().select(["code", "individual"]))


def test_an_amendment_counts_for_later_batches(tmp_path: Path, store: Store) -> None:
    tagged = {"image": "1.jpg", "organismID": "999000000000001", "code": "AMS", "eventID": "E8"}
    accept_batch(check_batch(write_batch(tmp_path / "c", [tagged], {**FACTS, "trip": "T8"})), store, author="TBO")
    amend(store, "relabel", individual="999000000000001", becomes="HKS", **SAID)
    again = write_batch(tmp_path / "d", [{**tagged, "eventID": "E9"}], {**FACTS, "trip": "T9"})
    with pytest.raises(InputError, match="is Alosa sapidissima here and Alosa mediocris in batch"):
        accept_batch(check_batch(again), store, author="TBO")


@pytest.mark.parametrize("said", [{"author": " ", "why": "x"}, {"author": "ELQ", "why": ""}])
def test_who_and_why_are_needed(store: Store, said: dict[str, str]) -> None:
    with pytest.raises(InputError, match="needs an author and a reason"):
        amend(store, "exclude", individual="T0-1/0", **said)


def test_nothing_to_amend(store: Store) -> None:
    with pytest.raises(InputError, match="has no individual 'nobody'"):
        amend(store, "exclude", individual="nobody", **SAID)


def test_an_amendment_that_names_nothing_readable_is_refused_in_words(store: Store) -> None:
    with pytest.raises(InputError, match="names no fish and no picture"):
        amend(store, "exclude", **SAID)
    with pytest.raises(InputError, match="'140f75' is no content hash"):
        amend(store, "exclude", images=["140f75"], **SAID)
    with pytest.raises(InputError, match=r"has no individual 'T0-1:0'.*versions browse shows every fish"):
        amend(store, "exclude", individual="T0-1:0", **SAID)


def test_what_a_person_excluded_is_not_excluded_again(store: Store) -> None:
    amend(store, "exclude", individual="T0-1/0", **SAID)
    with pytest.raises(InputError, match="taken out before: excluded by ELQ: second reader"):
        amend(store, "exclude", individual="T0-1/0", **SAID)
    amend(store, "withdraw", individual="T0-1/0", **SAID)  # consent is another matter


def test_the_history_tells_what_became_of_whom(store: Store) -> None:
    (image, _) = [str(row["image_sha256"]) for row in rows_of(store, "T0-1/0")]
    amend(store, "split", images=[image], becomes="T0-1/0b", **SAID)
    amend(store, "merge", individual="T0-1/0b", becomes="T0-1/1", **SAID)
    told = [info.reason for info in list_versions(store)[-2:]]
    assert told == [
        f"split image {image[:12]} as T0-1/0b: second reader",
        "merge T0-1/0b into T0-1/1: second reader",
    ]
