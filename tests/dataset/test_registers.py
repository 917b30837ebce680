"""Set-ups and permits on file: kept with the batch that brought them, held against later ones, counted."""

from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.permit_counts import permit_use
from passage_cv.dataset.registers import put_on_file, register_of
from passage_cv.dataset.setup_history import drifted, target_history
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import check_batch
from passage_cv.intake.permits import read_permits
from passage_cv.intake.setups import read_setups
from passage_cv.intake.targets import Target
from tests.batches import FACTS, trip_rows, write_batch
from tests.intake.test_permits import PERMIT
from tests.intake.test_setups import SETUP, target_jpeg


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.create(tmp_path / "store", StoreSettings())


def batch(
    folder: Path, trip: str, *, n: int = 2, setups: str = "", permits: str = "", target: bytes = b"", extra: str = ""
) -> CheckedBatch:
    rows = [{**row, "setup_id": "KBW-2", "purpose": "", "gear": "TRP"} for row in trip_rows(trip, n)]
    if target:
        images = ("start.jpg", "end.jpg")
        rows += [
            {"image": image, "eventID": f"{trip}-1", "trip": trip, "setup_id": "KBW-2", "purpose": "reference target"}
            for image in images
        ]
    if extra:
        rows.append({"image": "", "eventID": f"{trip}-1", "trip": trip, "code": "NSH", "individualCount": extra})
    write_batch(folder, rows, {**FACTS, "trip": trip})
    if target:
        for image in images:
            (folder / image).write_bytes(target + (b"" if image == "start.jpg" else b"\0"))
    for name, text in (("setups.toml", setups), ("permits.toml", permits)):
        if text:
            (folder / name).write_text(text)
    return check_batch(folder)


def accept(given: CheckedBatch, store: Store) -> list[str]:
    """Accept, and give the messages of what was found beside the store and in the batch."""
    return [finding["message"] for finding in accept_batch(given, store, author="TBO").findings]


def test_a_batch_puts_its_set_ups_and_permits_on_file(tmp_path: Path, store: Store) -> None:
    accept(batch(tmp_path / "a", "T1", setups=SETUP, permits=PERMIT), store)
    register = register_of(open_version(store))
    assert register.setups["KBW-2"].said.cameras[0].serial == "23117"
    assert register.permits["QMR-31-001"].said.allowed_of("Channa argus").allowed == 2  # type: ignore[union-attr]
    assert register.setups["KBW-2"].why.startswith("came with a-")
    first = open_version(store).name
    accept(batch(tmp_path / "b", "T2", setups=SETUP, permits=PERMIT.replace("= 2\n", "= 2 # as before\n")), store)
    assert len(open_version(store).record.facts) == 1  # the same again is on file already
    assert register_of(open_version(store, first)) == register_of(open_version(store))
    amend(store, "relabel", individual="T1-1/0", becomes="BOW", author="ELQ", why="second reader")
    assert len(open_version(store).amendments) == 1  # registrations are no amendments
    assert verify_store(store).problems == ()


def test_papers_may_be_on_file_before_the_first_batch(tmp_path: Path, store: Store) -> None:
    (tmp_path / "permits.toml").write_text(PERMIT)
    put_on_file(store, permits=read_permits(tmp_path / "permits.toml"), author="ELQ", why="a new season")
    first = open_version(store)
    assert (first.record.number, len(first.table()), first.entries) == (1, 0, ())
    assert {one.handled for one in permit_use(first)} == {0}
    accept(batch(tmp_path / "a", "T1"), store)
    later = open_version(store)
    assert sum(one.handled for one in permit_use(later)) == len(set(later.table()["individual"].to_pylist()))
    assert permit_use(open_version(store, first.name)) == permit_use(first)
    assert verify_store(store).problems == ()


def test_a_changed_firmware_needs_its_own_setup_id(tmp_path: Path, store: Store) -> None:
    accept(batch(tmp_path / "a", "T1", setups=SETUP), store)
    changed = batch(tmp_path / "b", "T2", setups=SETUP.replace("3.1.0", "3.2.0"))
    with pytest.raises(InputError, match=r"firmware 3\.1\.0 became 3\.2\.0: .* of its own, for example KBW-3"):
        accept_batch(changed, store, author="TBO")
    with pytest.raises(InputError, match=r"firmware 3\.1\.0 became 3\.2\.0"):
        put_on_file(store, setups=read_setups(tmp_path / "b/setups.toml"), author="ELQ", why="update")
    assert open_version(store).record.number == 1


def test_a_set_up_may_come_on_file_by_hand(tmp_path: Path, store: Store) -> None:
    accept(batch(tmp_path / "a", "T1"), store)
    (tmp_path / "s.toml").write_text(SETUP)
    setups = read_setups(tmp_path / "s.toml")
    version = put_on_file(store, setups=setups, author="ELQ", why="survey of the flume")
    assert version is not None
    assert register_of(version).setups["KBW-2"].author == "ELQ"
    assert put_on_file(store, setups=setups, author="ELQ", why="again") is None
    with pytest.raises(InputError, match="needs an author and a reason"):
        put_on_file(store, setups=setups, author="ELQ", why="")


def test_targets_are_held_against_the_set_ups_own_history(tmp_path: Path, store: Store) -> None:
    accept(batch(tmp_path / "a", "T1", setups=SETUP, target=target_jpeg()), store)
    assert not [
        m for m in accept(batch(tmp_path / "b", "T2", target=target_jpeg(light=0.78)), store) if "beside" in m
    ]
    dim = [m for m in accept(batch(tmp_path / "c", "T3", target=target_jpeg(light=0.5)), store) if "beside" in m]
    assert len(dim) == 2
    assert dim[0].startswith("start.jpg: light changed by -3")
    assert "beside the median of 4 earlier pictures of the target by KBW-2" in dim[0]
    (history,) = target_history(open_version(store), {"KBW-2"}).values()
    assert len(history) == 6
    assert history[0].marker_px == pytest.approx(120, rel=0.01)
    assert target_history(open_version(store), {"KBW-1"}) == {}


def test_a_long_history_is_held_against_its_own_spread() -> None:
    steady = [Target(200 + i % 3, 1.0, 1.0, 120.0, 0.03) for i in range(12)]
    shaky = [Target(200 + 10 * (i % 3), 1.0, 1.0, 120.0, 0.03) for i in range(12)]
    now = Target(212, 1.0, 1.0, 120.0, 0.03)  # 5 % up: inside the fixed limit of 15 %
    assert list(drifted(steady[:7], now)) == []
    assert list(drifted(steady, now)) == ["light is +5.5 % off"]
    assert list(drifted(shaky, now)) == []
    assert list(drifted(steady, Target(201, 1.0, 1.0, 120.0, 0.015))) == ["sharpness is at 50 %"]
    assert list(drifted([], now)) == []


def test_running_counts_per_permit(tmp_path: Path, store: Store) -> None:
    accept(batch(tmp_path / "a", "T1", n=2, permits=PERMIT), store)
    before = open_version(store).name
    over = accept(batch(tmp_path / "b", "T2", n=4, extra="10"), store)  # two snakeheads, two bowfin, ten only counted
    assert over[-1] == "Permit QMR-31-001 allows 2 Channa argus; 1 were handled before, 12 here: 11 too many"
    found = {one.species: (one.handled, one.allowed, one.left) for one in permit_use(open_version(store))}
    assert found == {"Channa argus": (13, 2, -11), "Amia calva": (3, None, None)}
    assert [one.handled for one in permit_use(open_version(store, before))] == [1, 1]


def test_a_permit_that_reads_otherwise_must_be_put_on_file_first(tmp_path: Path, store: Store) -> None:
    accept(batch(tmp_path / "a", "T1", permits=PERMIT), store)
    renewed = PERMIT.replace("2031-10-31", "2031-12-31")
    later = batch(tmp_path / "b", "T2", permits=renewed)
    with pytest.raises(InputError, match=r"on file since .* reads otherwise here"):
        accept_batch(later, store, author="TBO")
    put_on_file(store, permits=read_permits(tmp_path / "b/permits.toml"), author="ELQ", why="renewed by the agency")
    accept(later, store)
    assert register_of(open_version(store)).permits["QMR-31-001"].said.until.isoformat() == "2031-12-31"
    assert register_of(open_version(store, "1")).permits["QMR-31-001"].said.until.isoformat() == "2031-10-31"


def test_what_lies_outside_a_permit_on_file_is_said_without_the_file(tmp_path: Path, store: Store) -> None:
    accept(batch(tmp_path / "a", "T1", permits=PERMIT), store)
    folder = tmp_path / "b"
    write_batch(folder, trip_rows("T2", 1), {**FACTS, "trip": "T2", "locationID": "LTB-HOL-02"})
    (found,) = [message for message in accept(check_batch(folder), store) if "permit" in message]
    assert found.startswith("locationID LTB-HOL-02 (row 2) lies outside permit QMR-31-001")
