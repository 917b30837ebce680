"""The store behind an S3-compatible address: the same promises through the same calls (a moto server process)."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.backup import copy_store
from passage_cv.dataset.ledger import attempts_of, record_use
from passage_cv.dataset.readings import next_blind, readings_of, record_reading
from passage_cv.dataset.storage import open_storage
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.sweep import sweep_store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import list_versions, open_version
from passage_cv.dataset.working import working_image
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, jpeg, trip_rows, write_batch

pytestmark = pytest.mark.slow
server = pytest.importorskip("moto.server", reason="the S3-compatible test server is not installed")
pytest.importorskip("s3fs", reason="the S3 client is not installed")


@pytest.fixture
def address(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Iterator[str]:
    """An empty bucket of a server on a free port of this machine; buckets outlive a server in its process."""
    bucket = request.node.name.replace("_", "-")[:60]
    running = server.ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    running.start()
    host, port = running.get_host_and_port()
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "test")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "test")
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    storage = open_storage(f"s3://{bucket}/store")
    storage.files.invalidate_cache()
    storage.files.mkdir(bucket)
    yield f"s3://{bucket}/store"
    running.stop()
    type(storage.files).clear_instance_cache()


def accept_trips(tmp_path: Path, store: Store, trips: list[str]) -> None:
    for trip in trips:
        folder = write_batch(tmp_path / trip, trip_rows(trip, 2), {**FACTS, "trip": trip})
        accept_batch(check_batch(folder), store, author="TBO")


def test_accept_open_amend_verify(tmp_path: Path, address: str) -> None:
    store = Store.create(address, StoreSettings())
    folder = write_batch(tmp_path / "T1", trip_rows("T1", 2), {**FACTS, "trip": "T1"})
    (folder / "images/0-0.jpg").write_bytes(jpeg("large", width=960, height=540))
    first = accept_batch(check_batch(folder), store, author="TBO")
    assert not accept_batch(check_batch(folder), store, author="TBO").changed
    accept_trips(tmp_path, store, ["T2", "T3"])
    rows = open_version(Store.open(address)).table().to_pylist()
    assert len(rows) == 6
    for row in rows[:2]:
        assert store.read_object(row["image_sha256"]) == (folder / row["image"]).read_bytes()
    assert working_image(store, rows[0]["image_sha256"]).shape == (360, 640, 3)
    amend(store, "relabel", individual="T1-1/0", becomes="BOW", author="ELQ", why="second reader")
    assert [info.n_batches for info in list_versions(store)] == [1, 2, 3, 3]
    assert open_version(store, first.version).table().num_rows == 2
    record_use(store, role="cut", model_sha256="a" * 64, policy_sha256="b" * 64, purpose="calibrate")
    assert len(attempts_of(store)) == 1
    assert verify_store(store).problems == ()
    assert sweep_store(store, grace_hours=0).paths == ()


def test_one_of_many_writers_wins(address: str) -> None:
    storage = open_storage(address)
    with ThreadPoolExecutor(4) as pool:
        won = list(pool.map(lambda i: storage.create("heads/000001", str(i).encode()), range(12)))
    assert sum(won) == 1
    assert storage.read("heads/000001") == str(won.index(True)).encode()


def test_two_writers_lose_nothing(tmp_path: Path, address: str) -> None:
    store = Store.create(address, StoreSettings())
    batches = [
        check_batch(write_batch(tmp_path / f"T{i}", trip_rows(f"T{i}", 1), {**FACTS, "trip": f"T{i}"}))
        for i in range(6)
    ]
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda batch: accept_batch(batch, store, author="TBO"), batches))
    assert [info.n_batches for info in list_versions(store)] == list(range(1, 7))
    assert verify_store(store).problems == ()


def test_a_changed_byte_is_found(tmp_path: Path, address: str) -> None:
    store = Store.create(address, StoreSettings())
    accept_trips(tmp_path, store, ["T1"])
    sha256 = open_version(store).table()["image_sha256"][0].as_py()
    path = store.find_object(sha256)
    assert path is not None
    store.storage.put(path, store.storage.read(path)[:-1] + b"x")
    assert "was changed" in verify_store(store).problems[0]
    with pytest.raises(InputError, match="Picture was changed"):
        store.read_object(sha256)
    with pytest.raises(InputError, match="needs the store in a local folder"):
        store.object_path(sha256)


def test_copied_there_and_back(tmp_path: Path, address: str) -> None:
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_trips(tmp_path, store, ["T1", "T2"])
    fish = next_blind(store, "ELQ")
    assert fish is not None
    record_reading(store, fish.token, reader="ELQ", name="BOW")
    assert copy_store(store, address).n_there == 0
    there = Store.open(address)
    assert verify_store(there).problems == ()
    assert len(readings_of(there)) == 1
    accept_trips(tmp_path, there, ["T3"])
    back = tmp_path / "back"
    copy_store(there, back)
    assert verify_store(Store.open(back)).problems == ()
    assert open_version(Store.open(back)).table().equals(open_version(there).table())
    assert copy_store(there, back).n_copied == 0
