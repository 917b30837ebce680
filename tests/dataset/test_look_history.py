"""A camera's sharpness is held against its own history, and a batch against the store before it is accepted."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from typer.testing import CliRunner

from passage_cv.cli.check import app
from passage_cv.dataset.accept import accept_batch, check_beside_store
from passage_cv.dataset.look_history import usual_sharpness
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.versions import open_version
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.check import check_batch
from tests.batches import trip_rows, write_batch


def trip(folder: Path, blur: float, *, blurred: int | None = None, n: int = 12) -> CheckedBatch:
    """A batch of one camera; with ``blurred`` only that picture is out of focus."""
    rows = [{**row, "camera": "CAM 7", "setup_id": "KBW-1"} for row in trip_rows(folder.name, n)]
    write_batch(folder, rows)
    for i, row in enumerate(rows):
        rng = np.random.default_rng([len(folder.name), ord(folder.name[-1]), i])
        sharp = cv2.resize(
            rng.integers(0, 256, (36, 64, 3), dtype=np.uint8), (320, 180), interpolation=cv2.INTER_CUBIC
        )
        sigma = blur if blurred is None or blurred == i else 0.0
        rgb = cv2.GaussianBlur(sharp, (0, 0), sigma) if sigma else sharp
        (folder / row["image"]).write_bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(rgb), quality=95))
    return check_batch(folder, keep_working=False)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made = Store.create(tmp_path / "store", StoreSettings(unit="individual", seed=0))
    for name in ("trip-a", "trip-b"):
        accept_batch(trip(tmp_path / name, 0.0), made, author="TBO")
    return made


def kinds(batch: CheckedBatch, store: Store) -> dict[str, str | None]:
    return {one.kind: one.image for one in check_beside_store(batch, store)}


def test_a_batch_as_sharp_as_ever_says_nothing(store: Store, tmp_path: Path) -> None:
    (usual,) = usual_sharpness(open_version(store)).values()
    assert (usual.n_pictures, usual.n_batches) == (24, 2)
    assert kinds(trip(tmp_path / "trip-c", 0.0), store) == {}


def test_a_fouled_lens_shows_as_a_step_between_batches(store: Store, tmp_path: Path) -> None:
    batch = trip(tmp_path / "trip-c", 2.0)
    assert not any(one.kind == "sharpness" for one in batch.findings)  # within the batch all are alike
    assert "camera less sharp than before" in kinds(batch, store)


def test_one_blurred_picture_of_a_small_batch_is_held_against_the_history(store: Store, tmp_path: Path) -> None:
    batch = trip(tmp_path / "trip-c", 6.0, blurred=2, n=4)
    assert not any(one.kind == "sharpness" for one in batch.findings)  # too few to compare among themselves
    assert kinds(batch, store) == {"sharpness": "images/2-0.jpg"}


def test_check_shows_what_the_store_knows_before_anything_is_accepted(store: Store, tmp_path: Path) -> None:
    before = open_version(store).name
    folder = write_batch(tmp_path / "again", trip_rows("again", 1))
    (folder / "images" / "0-0.jpg").write_bytes((tmp_path / "trip-a" / "images" / "0-0.jpg").read_bytes())
    shown = CliRunner().invoke(app, [str(folder), "--store", str(tmp_path / "store")])
    assert shown.exit_code == 1
    assert "already in the store, in batch trip-a" in shown.output
    assert open_version(store).name == before


def test_a_tag_that_the_store_knows_is_a_repeat_sighting(tmp_path: Path) -> None:
    made = Store.create(tmp_path / "store", StoreSettings(unit="individual", seed=0))
    tagged = {"image": "1.jpg", "organismID": "999000000012345", "code": "AMS", "eventID": "E1"}
    accept_batch(check_batch(write_batch(tmp_path / "one", [tagged]), keep_working=False), made, author="TBO")
    again = {**tagged, "eventID": "E2", "eventDate": "2031-05-18T20:00:00-04:00"}
    batch = check_batch(write_batch(tmp_path / "two", [again]), keep_working=False)
    (finding,) = [one for one in check_beside_store(batch, made) if one.kind == "repeat sighting"]
    assert finding.severity == "please look"
    assert "seen before, in event E1 of batch one" in finding.message
