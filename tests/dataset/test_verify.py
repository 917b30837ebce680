"""Verification finds any changed or missing byte."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
import simplejpeg
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.ledger import record_use
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.verify import verify_store
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.intake.images import decode_picture
from tests.batches import FACTS, jpeg, trip_rows, write_batch


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("verify")
    store = Store.create(root / "store", StoreSettings())
    for trip in ("T1", "T2"):
        folder = write_batch(root / trip, trip_rows(trip, 2), {**FACTS, "trip": trip})
        accept_batch(check_batch(folder), store, author="TBO", at=datetime(2031, 5, 12, tzinfo=UTC))
    record_use(store, role="cut", model_sha256="a" * 64, policy_sha256="b" * 64, purpose="calibrate")
    return root / "store"


def files_of(root: Path) -> list[Path]:
    return sorted(path for path in root.rglob("*") if path.is_file())


def problems(root: Path) -> tuple[str, ...]:
    try:
        return verify_store(Store.open(root)).problems
    except InputError as error:
        return (str(error),)


def test_a_sound_store(root: Path) -> None:
    found = verify_store(Store.open(root))
    assert (found.n_versions, found.n_batches, found.n_pictures, found.problems) == (2, 2, 4, ())
    assert found.leftovers == ()
    assert verify_store(Store.open(root), sample=3).n_pictures_read == 3


def test_a_sample_is_another_one_each_time(root: Path) -> None:
    picture = next(path for path in files_of(root) if "objects" in path.parts)
    whole = picture.read_bytes()
    picture.write_bytes(whole + b"x")
    try:
        # One of four pictures: 60 samples miss it, or find it, every time once in 3e7 (0.75 ** 60).
        found = {bool(verify_store(Store.open(root), sample=1).problems) for _ in range(60)}
    finally:
        picture.write_bytes(whole)
    assert found == {True, False}


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_changed_byte_is_found(root: Path, data: st.DataObject) -> None:
    path = data.draw(st.sampled_from(files_of(root)))
    whole = path.read_bytes()
    at = data.draw(st.integers(0, len(whole) - 1))
    flip = data.draw(st.integers(1, 255))
    path.write_bytes(whole[:at] + bytes([whole[at] ^ flip]) + whole[at + 1 :])
    try:
        assert problems(root), f"{path.relative_to(root)}, byte {at}"
    finally:
        path.write_bytes(whole)


def test_any_missing_file_is_found(root: Path) -> None:
    for path in files_of(root):
        if path.name.startswith("receipt-") or path.parent.name in {"ledger", "keys"}:
            continue  # what nothing else names: receipts and keys can be made again, a ledger entry stands alone
        whole = path.read_bytes()
        path.unlink()
        try:
            last_head = path.name == "000002"  # then the version it named is told as left over
            assert problems(root) or (last_head and verify_store(Store.open(root)).leftovers), path
        finally:
            path.write_bytes(whole)
    assert problems(root) == ()


@pytest.fixture
def large(tmp_path: Path) -> Store:
    """A store of one fish whose picture is above working size, so that it has a reduced copy."""
    folder = write_batch(tmp_path / "b", trip_rows("T1", 1), {**FACTS, "trip": "T1"})
    (folder / "images/0-0.jpg").write_bytes(jpeg("large", width=960, height=540))
    store = Store.create(tmp_path / "store", StoreSettings())
    accept_batch(check_batch(folder), store, author="TBO")
    return store


def the_copy(store: Store) -> Path:
    (path,) = Path(store.storage.root).glob("working/640/*/*.jpg")
    return path


def test_a_reduced_copy_that_shows_something_else_is_found(large: Store) -> None:
    path = the_copy(large)
    whole = path.read_bytes()
    for data, says in (
        (jpeg("another", width=640, height=360), "does not show its picture"),
        (jpeg("large", width=320, height=180), "does not show its picture"),
        (whole[: len(whole) // 2], "damaged JPEG"),
    ):
        path.write_bytes(data)
        (problem,) = verify_store(large).problems
        assert says in problem
        assert problem.endswith("delete it, it will be made again")
        assert verify_store(large, sample=0).problems == ()  # copies are read with their pictures
    path.unlink()
    assert verify_store(large).problems == ()


def test_the_same_pixels_from_another_encoder_are_no_fault(large: Store) -> None:
    path = the_copy(large)
    rgb = decode_picture(path.read_bytes())
    path.write_bytes(simplejpeg.encode_jpeg(rgb, quality=97, colorsubsampling="444"))
    assert verify_store(large).problems == ()
